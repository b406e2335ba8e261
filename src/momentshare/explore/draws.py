"""Uncertainty of the activations of a page: draws of the limb, solved at every node.

Drawn are the numbers of the model (attachments, surfaces, volumes, fibre lengths, strengths,
scapula, inertia) and the lengths of the person, as ``momentshare uncertainty`` draws them. Spacing,
touch point and load stay as the controls set them, because whoever moves the controls knows them.
"""

from __future__ import annotations

import warnings
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
    from numpy.typing import NDArray

    from momentshare.explore.grid import Nodes
    from momentshare.explore.tables import PressTables
    from momentshare.limb import Limb
    from momentshare.study import Study

    Floats = NDArray[np.float64]

__all__ = ["PART", "UNKNOWN", "activation_ranges", "page_criterion", "usual_load"]

PART = 0.8
"""Fraction of the draws that lies within a range."""

UNKNOWN = -1.0
"""Marks where no range is known."""

_MODES = {"none": Lateral(mode="zero"), "free": Lateral(mode="free")}


def page_criterion(study: Study) -> tuple[Criterion, str]:
    """Criterion that a page begins with, and its name there: the study's, if the page offers it."""
    wanted = study.file.settings.criterion()
    if wanted.exponent not in {2.0, 3.0}:
        wanted = Criterion()
    kind = wanted.by_size or "equal"
    return Criterion(exponent=wanted.exponent, weights=wanted.weights), f"{kind}{wanted.exponent:g}"


def usual_load(limbs: Limb, person: int, nodes: Nodes, *, glenoid: bool) -> float:
    """Two thirds of what a person can hold at most heights of a usual press [kg].

    The press is the node nearest to 1.6 times the biacromial breadth, 12 cm, flat; four heights in
    five allow at least one and a half times the load. In steps of 2.5 kg. With ``glenoid`` the
    contact force is kept within its limit.
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
    return 2.5 * round(0.67 * float(known[int(0.2 * known.size)]) / 2.5)


def activation_ranges(
    study: Study,
    limbs: Limb,
    nodes: Nodes,
    tables: PressTables,
    *,
    draws: int,
    seed: int = 1,
    spreads: Spreads | None = None,
) -> dict[str, Floats]:
    """Ranges of activation at the usual load, by geometry, height and head.

    Parameters
    ----------
    study : Study
    limbs : Limb
        One per person.
    nodes : Nodes
    tables : PressTables
    draws : int
    seed : int
    spreads : Spreads, optional

    Returns
    -------
    dict
        ``low_none``, ``high_none``, ``low_free`` and ``high_free``: ends of the middle
        :data:`PART` of the draws without an outward push and with the free one, shape
        (geometries, heights, heads); :data:`UNKNOWN` where there are none.
    """
    heads = len(limbs.head_names)
    shape = (len(tables.geometry["arms"]), HEIGHTS, heads)
    out = {f"{end}_{mode}": np.full(shape, UNKNOWN) for mode in _MODES for end in ("low", "high")}
    layout = build_layout(plan_study(study).setup, spreads or Spreads())
    criterion, _ = page_criterion(study)
    held = study.file.settings.glenoid_constraint
    normals = random_normals(seed, 0, draws, len(layout))
    at = {
        (p.person, p.node): g
        for p, g in zip(tables.presses, tables.geometry_of, strict=True)
        if p.kind == "press"
    }
    for person in range(len(study.file.person)):
        drawn, rows, _ = Draws(layout, normals).limbs(person)
        if drawn is None:
            continue
        breadth = limbs.skeleton.take(person).sizes.biacromial_breadth
        presses = node_presses(breadth, nodes, load=usual_load(limbs, person, nodes, glenoid=held))
        wanted = [(node, row) for node in presses for row in rows.values() if (person, node) in at]
        lifts = make_lifts(
            [presses[node] for node, _ in wanted],
            drawn.skeleton,
            [row for _, row in wanted],
            limits=False,
        )
        kept = [
            (lift, *owner)
            for lift, owner in zip(lifts, wanted, strict=True)
            if not isinstance(lift, MomentshareError)
        ]
        found = {mode: np.full((len(at), len(rows), HEIGHTS, heads), np.nan) for mode in _MODES}
        places = {node: k for k, node in enumerate(presses)}
        column = {row: k for k, row in enumerate(rows.values())}
        for block in make_blocks(drawn, [k[0] for k in kept], [k[2] for k in kept]):
            balance = block.prepared.balance(glenoid=held)
            for mode, lateral in _MODES.items():
                activation = balance.treated(lateral).share(criterion, glenoid=held).activation
                for place, number in enumerate(block.numbers):
                    _, node, row = kept[number]
                    span = slice(int(block.edges[place]), int(block.edges[place + 1]))
                    found[mode][places[node], column[row]] = activation[span]
        for mode, values in found.items():
            low, high = _middle(values)
            for node, k in places.items():
                if (person, node) in at:
                    out[f"low_{mode}"][at[person, node]] = low[k]
                    out[f"high_{mode}"][at[person, node]] = high[k]
    return out


def _middle(values: Floats) -> tuple[Floats, Floats]:
    """Find the ends of the middle part over the second axis; unknown where no draw was solved."""
    ends = [50.0 * (1.0 - PART), 50.0 * (1.0 + PART)]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of slices that are all NaN
        low, high = np.nanpercentile(values, ends, axis=1)
    return np.nan_to_num(low, nan=UNKNOWN), np.nan_to_num(high, nan=UNKNOWN)
