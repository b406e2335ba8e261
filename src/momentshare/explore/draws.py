"""Uncertainty of the numbers of a page: draws of the limb, solved at nodes and conditions.

Ranges are given of activations, of net moments and of the greatest load at each height.

Drawn are the numbers of the model (attachments, surfaces, volumes, fibre lengths, strengths,
scapula, inertia) and the lengths of the person, as ``momentshare uncertainty`` draws them. Spacing,
touch point and load stay as the controls or the study set them, because whoever sets them knows
them.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.balance import Criterion, Lateral
from momentshare.errors import MomentshareError
from momentshare.exercise import make_lifts
from momentshare.explore.grid import HEIGHTS, node_presses
from momentshare.runs.block import make_blocks
from momentshare.study import plan_study
from momentshare.uncertainty.chunks import random_normals
from momentshare.uncertainty.draws import Draws
from momentshare.uncertainty.layout import build_layout
from momentshare.uncertainty.spreads import Spreads

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from momentshare.exercise import Exercise
    from momentshare.explore.grid import Nodes
    from momentshare.explore.tables import PressTables
    from momentshare.limb import Limb
    from momentshare.runs.block import Answer
    from momentshare.study import Study

    Floats = NDArray[np.float64]

__all__ = [
    "PART",
    "PUSHES",
    "QUANTITIES",
    "UNKNOWN",
    "drawn_ranges",
    "page_criterion",
    "usual_load",
]

PART = 0.8
"""Fraction of the draws that lies within a range."""

UNKNOWN = -1.0
"""Marks where no range is known; a net moment may have this value, and is known where the
activations are."""

QUANTITIES = ("", "net_", "load_")
"""Beginnings of the names of ranges: activations, net moments, greatest load."""

_MOST_LOAD = 3000.0
"""Greatest load [kg] that is kept; a load without bound counts as this one."""

PUSHES = ("none", "free", "measured")
"""Outward pushes for which ranges are drawn."""

_SEED = 1
"""Of the draws of a page: the same page has the same ranges."""

_MODES = {"none": Lateral(mode="zero"), "free": Lateral(mode="free")}


def page_criterion(study: Study) -> tuple[Criterion, str]:
    """Criterion that a page begins with, and its name there: the study's, if the page offers it."""
    wanted = study.file.settings.criterion()
    if wanted.exponent not in {2.0, 3.0}:
        wanted = Criterion()
    kind = wanted.by_size or "equal"
    return Criterion(exponent=wanted.exponent, weights=wanted.weights), f"{kind}{wanted.exponent:g}"


def usual_load(limbs: Limb, person: int, nodes: Nodes, *, glenoid: bool) -> float:
    """Half of what a person can hold at most heights of a usual press [kg].

    The press is the node nearest to 1.6 times the biacromial breadth, 12 cm, flat; four heights in
    five allow at least twice the load. In steps of 2.5 kg. With ``glenoid`` the contact force is
    kept within its limit. Nearer to what can be held some head is fully active, which hides why the
    others do what they do.
    """
    near = (
        int(np.argmin(np.abs(np.array(nodes.spacings) - 1.6))),
        int(np.argmin(np.abs(np.array(nodes.touches) - 0.12))),
        int(np.argmin(np.abs(np.array(nodes.angles)))),
    )
    skeleton = limbs.skeleton.take(person)
    press = node_presses(skeleton.sizes.biacromial_breadth, nodes, load=0.0)[near]
    (lift,) = make_lifts([press], skeleton, [0])
    if isinstance(lift, MomentshareError):
        return 20.0
    (block,) = make_blocks(limbs.take(person), [lift], [0])
    balance = block.prepared.balance(glenoid=glenoid).treated(Lateral(mode="free"))
    load = balance.greatest_load(glenoid=glenoid).factor
    known = np.sort(load[np.isfinite(load)])
    if known.size == 0:
        return 0.0
    return 2.5 * round(0.5 * float(known[int(0.2 * known.size)]) / 2.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    """One press of a page whose draws are solved.

    Attributes
    ----------
    geometry : int
    exercise : Exercise
    treatments : mapping
        Push of the page → treatment of the lateral force.
    """

    geometry: int
    exercise: Exercise
    treatments: Mapping[str, Lateral]


def drawn_ranges(
    study: Study,
    limbs: Limb,
    nodes: Nodes,
    tables: PressTables,
    *,
    draws: int,
    spreads: Spreads | None = None,
) -> dict[str, Floats]:
    """Ranges of activation, net moments and greatest load, by geometry and height.

    Presses at the nodes bear the usual load, conditions of the study their own.

    Parameters
    ----------
    study : Study
    limbs : Limb
        One per person.
    nodes : Nodes
    tables : PressTables
    draws : int
    spreads : Spreads, optional

    Returns
    -------
    dict
        ``low_none`` and ``high_none``, ``low_free`` and ``high_free``, ``low_measured`` and
        ``high_measured``: ends of the middle :data:`PART` of the draws without an outward push,
        with the free one and with that of the study, shape (geometries, heights, heads);
        :data:`UNKNOWN` where there are none. The last pair is missing if no condition has a ratio.
        Likewise ``net_low_none`` … of net moments [N·m], the last axis over the balanced rows, and
        ``load_low_none`` … of the greatest load [kg], the last axis of length 1; in a draw that
        cannot hold the arm itself it is zero.
    """
    layout = build_layout(plan_study(study).setup, spreads or Spreads())
    criterion, _ = page_criterion(study)
    held = study.file.settings.glenoid_constraint
    normals = random_normals(_SEED, 0, draws, len(layout))
    wanted = [
        [*_at_nodes(limbs, nodes, tables, person, glenoid=held), *_of_study(study, tables, person)]
        for person in range(len(study.file.person))
    ]
    modes = [m for m in PUSHES if any(m in one.treatments for own in wanted for one in own)]
    lengths = dict(zip(QUANTITIES, (len(limbs.head_names), len(criterion.rows), 1), strict=True))
    shape = (len(tables.geometry["arms"]), HEIGHTS)
    out = {
        f"{quantity}{end}_{mode}": np.full((*shape, length), UNKNOWN)
        for quantity, length in lengths.items() for mode in modes for end in ("low", "high")
    }  # fmt: skip
    for person, own in enumerate(wanted):
        drawn, rows, _ = Draws(layout, normals).limbs(person)
        if drawn is None:
            continue
        found = {
            (quantity, mode): np.full((len(own), len(rows), HEIGHTS, length), np.nan)
            for quantity, length in lengths.items() for mode in modes
        }  # fmt: skip
        for mode, place, column, answer, span in _answers(own, drawn, rows, criterion, held):
            for quantity, values in _values(answer, span).items():
                found[quantity, mode][place, column] = values
        for (quantity, mode), each in found.items():
            low, high = _middle(each)
            for place, one in enumerate(own):
                out[f"{quantity}low_{mode}"][one.geometry] = low[place]
                out[f"{quantity}high_{mode}"][one.geometry] = high[place]
    return out


def _answers(
    own: Sequence[_Wanted],
    drawn: Limb,
    rows: Mapping[int, int],
    criterion: Criterion,
    held: bool,
) -> Iterator[tuple[str, int, int, Answer, slice]]:
    """Push, number of the press and of the draw, with the answer and its frames."""
    each = [(place, column, row) for place in range(len(own))
            for column, row in enumerate(rows.values())]  # fmt: skip
    lifts = make_lifts(
        [own[place].exercise for place, _, _ in each],
        drawn.skeleton,
        [row for _, _, row in each],
        limits=False,
    )
    kept = [
        (lift, at)
        for lift, at in zip(lifts, each, strict=True)
        if not isinstance(lift, MomentshareError)
    ]
    for block in make_blocks(drawn, [lift for lift, _ in kept], [at[2] for _, at in kept]):
        places = [kept[number][1] for number in block.numbers]
        for mode in PUSHES:
            asked = [
                (k, lateral)
                for k, (place, _, _) in enumerate(places)
                if (lateral := own[place].treatments.get(mode)) is not None
            ]
            if not asked:
                continue
            for answer in block.solve(asked, criterion, glenoid=held):
                for at, (k, _) in enumerate(answer.members):
                    place, column, _ = places[k]
                    yield mode, place, column, answer, answer.span(at)


def _values(answer: Answer, span: slice) -> dict[str, Floats]:
    """Numbers of one lift, by the beginnings of the names of their ranges."""
    activation = answer.sharing.activation[span]
    known = ~np.isnan(activation[:, :1])
    balance, push = answer.balance, answer.hand.push[span]
    net = balance.moments[span] + push[:, None] * balance.lever[span]
    assert answer.greatest is not None  # noqa: S101 - asked for
    load = np.nan_to_num(answer.greatest.factor[span], nan=0.0, posinf=_MOST_LOAD)
    load = np.clip(load, 0.0, _MOST_LOAD)[:, None]
    values = (activation, np.where(known, net, np.nan), np.where(known, load, np.nan))
    return dict(zip(QUANTITIES, values, strict=True))


def _at_nodes(
    limbs: Limb, nodes: Nodes, tables: PressTables, person: int, *, glenoid: bool
) -> list[_Wanted]:
    """Presses of one person at the nodes, with the usual load."""
    at = {
        p.node: g
        for p, g in zip(tables.presses, tables.geometry_of, strict=True)
        if p.kind == "press" and p.person == person
    }
    presses = node_presses(
        limbs.skeleton.take(person).sizes.biacromial_breadth,
        nodes,
        load=usual_load(limbs, person, nodes, glenoid=glenoid),
    )
    return [
        _Wanted(geometry=at[node], exercise=press, treatments=_MODES)
        for node, press in presses.items()
        if node in at
    ]


def _of_study(study: Study, tables: PressTables, person: int) -> list[_Wanted]:
    """Conditions of one person as the study has them."""
    at = {
        p.condition: (g, p.lift is not None and p.lift.lateral_free)
        for p, g in zip(tables.presses, tables.geometry_of, strict=True)
        if p.kind == "condition" and p.person == person
    }
    found = []
    for task in plan_study(study, frames=HEIGHTS).setup.tasks:
        if task.limb != person or task.condition not in at or task.exercise is None:
            continue
        geometry, free = at[task.condition]
        # The page has no couples of the hands.
        own = {t.mode: replace(t, couples="zero") for t in task.treatments}
        treatments = {"none": _MODES["none"]}
        if free:
            treatments["free"] = own.get("free", _MODES["free"])
        if "measured" in own:
            treatments["measured"] = own["measured"]
        found.append(_Wanted(geometry=geometry, exercise=task.exercise, treatments=treatments))
    return found


def _middle(values: Floats) -> tuple[Floats, Floats]:
    """Find the ends of the middle part over the second axis; unknown where no draw was solved."""
    ends = [50.0 * (1.0 - PART), 50.0 * (1.0 + PART)]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of slices that are all NaN
        low, high = np.nanpercentile(values, ends, axis=1)
    return np.nan_to_num(low, nan=UNKNOWN), np.nan_to_num(high, nan=UNKNOWN)
