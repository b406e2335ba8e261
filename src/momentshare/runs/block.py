"""A block: the frames of many lifts of many limbs in a row, prepared and solved at once.

The steps of a single lift (paths, capacity, demand, balance, sharing, greatest load) are done here
once for all frames. The answers are split into lifts as views, so that nothing is copied and every
later step sees ordinary lifts.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from momentshare.analysis import HandChoice, LiftResult, Prepared, assemble, prepare, require_bar
from momentshare.exercise.lift import Lift, join_lifts
from momentshare.results import take_frames

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

    from momentshare.balance import Balance, Criterion, Lateral
    from momentshare.limb import Limb
    from momentshare.sharing import GreatestFactor, Sharing

__all__ = ["FRAMES", "Answer", "Block", "make_blocks"]

FRAMES = 20_000
"""Number of frames held together, some 200 MB with everything computed from them."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Block:
    """Lifts in a row, with what does not depend on the lateral force.

    Attributes
    ----------
    numbers : tuple of int
        Index of each lift among those from which the block was made.
    lifts : tuple of Lift
        One by one, as they were given.
    limbs : tuple of int
        Row of each lift's limb.
    edges : int array, shape (lifts + 1,)
        Frames of lift k are ``edges[k]`` to ``edges[k + 1] - 1``.
    prepared : Prepared
        All frames in a row.
    """

    numbers: tuple[int, ...]
    lifts: tuple[Lift, ...]
    limbs: tuple[int, ...]
    edges: NDArray[np.intp]
    prepared: Prepared

    def __repr__(self) -> str:
        return f"Block(lifts={len(self.lifts)}, frames={int(self.edges[-1])})"

    def part(self, k: int, limb: Limb | None = None) -> Prepared:
        """Extract one lift; arrays are views. ``limb`` is its limb, if available."""
        span, whole = self._span(k), self.prepared
        return Prepared(
            limb=whole.limb.take(self.limbs[k]) if limb is None else limb,
            lift=self.lifts[k],
            paths=take_frames(whole.paths, span),
            state=take_frames(whole.state, span),
            demand=take_frames(whole.demand, span),
        )

    def _span(self, k: int) -> slice:
        return slice(int(self.edges[k]), int(self.edges[k + 1]))

    def solve(
        self,
        wanted: Sequence[tuple[int, Lateral]],
        criterion: Criterion,
        *,
        greatest_load: bool = True,
        glenoid: bool = False,
        change: Callable[[Balance], Balance] | None = None,
        threads: int | None = None,
    ) -> list[Answer]:
        """Share the moments of lifts, each with one treatment of its lateral force.

        Parameters
        ----------
        wanted : sequence of (int, Lateral)
            Index of a lift in the block, and its treatment of the lateral force.
        criterion : Criterion
        greatest_load, glenoid : bool
            As for :func:`momentshare.analysis.solve_lift`.
        change : callable, optional
            Change of the balance of all frames before it is solved.
        threads : int, optional
            As for :func:`momentshare.sharing.share`.

        Returns
        -------
        list of Answer
            One for each kind of treatment that occurs.
        """
        balance = self.prepared.balance(criterion, glenoid=glenoid)
        if change is not None:
            balance = change(balance)
        answers = []
        kinds = dict.fromkeys(
            (lateral.mode == "free", lateral.free_couples) for _, lateral in wanted
        )
        for kind in sorted(kinds):
            members = tuple(w for w in wanted if (w[1].mode == "free", w[1].free_couples) == kind)
            for k, lateral in members:
                require_bar(self.lifts[k], lateral)
            spans = [self._span(k) for k, _ in members]
            frames = np.concatenate([np.arange(s.start, s.stop) for s in spans])
            in_a_row = all(one.stop == other.start for one, other in pairwise(spans))
            place = slice(spans[0].start, spans[-1].stop) if in_a_row else frames  # views, if so
            asked = balance.take(place).treated(
                *(lateral for _, lateral in members),
                counts=tuple(span.stop - span.start for span in spans),
            )
            answer = asked.share(criterion, glenoid=glenoid, threads=threads)
            answers.append(
                Answer(
                    block=self,
                    members=members,
                    frames=frames,
                    edges=np.cumsum([0, *(s.stop - s.start for s in spans)]),
                    criterion=criterion,
                    balance=asked,
                    sharing=answer,
                    hand=HandChoice.of(asked, answer),
                    greatest=asked.greatest_load(glenoid=glenoid) if greatest_load else None,
                )
            )
        return answers

    def results(
        self,
        wanted: Sequence[tuple[int, Lateral]],
        criterion: Criterion,
        *,
        greatest_load: bool = True,
        glenoid: bool = False,
        change: Callable[[Balance], Balance] | None = None,
    ) -> list[LiftResult]:
        """Do the same, split into one result per entry of ``wanted``, in its order."""
        found: dict[tuple[int, str], LiftResult] = {}
        limbs = {row: self.prepared.limb.take(row) for row in set(self.limbs)}
        parts = {k: self.part(k, limbs[self.limbs[k]]) for k in dict.fromkeys(k for k, _ in wanted)}
        for answer in self.solve(
            wanted, criterion, greatest_load=greatest_load, glenoid=glenoid, change=change
        ):
            for place, (k, lateral) in enumerate(answer.members):
                found[k, lateral.mode] = answer.result(place, parts[k])
        return [found[k, lateral.mode] for k, lateral in wanted]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Answer:
    """Lifts of a block with one kind of treatment of the lateral force, solved.

    Attributes
    ----------
    block : Block
    members : tuple of (int, Lateral)
        Index of each lift in the block, and its treatment.
    frames : int array, shape (frames,)
        Frames of the block that belong to the answer, lift by lift.
    edges : int array, shape (members + 1,)
        Where each member begins and ends in the answer.
    criterion : Criterion
    balance : Balance
        The balance that was solved.
    sharing : Sharing
    hand : HandChoice
    greatest : GreatestFactor or None
    """

    block: Block
    members: tuple[tuple[int, Lateral], ...]
    frames: NDArray[np.intp]
    edges: NDArray[np.intp]
    criterion: Criterion
    balance: Balance
    sharing: Sharing
    hand: HandChoice
    greatest: GreatestFactor | None

    def __repr__(self) -> str:
        return f"Answer(lifts={len(self.members)}, {self.sharing!r})"

    def span(self, place: int) -> slice:
        """Frames of one member."""
        return slice(int(self.edges[place]), int(self.edges[place + 1]))

    def result(self, place: int, prepared: Prepared | None = None) -> LiftResult:
        """Extract one member."""
        k, lateral = self.members[place]
        span = self.span(place)
        return assemble(
            self.block.part(k) if prepared is None else prepared,
            lateral,
            self.criterion,
            take_frames(self.hand, span),
            take_frames(self.sharing, span),
            None if self.greatest is None else take_frames(self.greatest, span),
        )


def make_blocks(
    limbs: Limb,
    lifts: Sequence[Lift],
    rows: Sequence[int],
    *,
    frames: int = FRAMES,
    threads: int | None = None,
) -> Iterator[Block]:
    """Prepare lifts in blocks of about the given number of frames.

    Lifts of one kind (timed or not; a mass or a force in the hand, or given moments) form one
    block; the numbers of a block say where its lifts belong.

    Parameters
    ----------
    limbs : Limb
        One limb, or several.
    lifts : sequence of Lift
    rows : sequence of int
        Row of each lift's limb; zeros for a single limb.
    frames : int
        Number of frames from which a block is full.
    threads : int, optional
        Maximum number of threads; by default one per available core.
    """
    kinds: dict[tuple[bool, bool, bool], list[int]] = {}
    for k, lift in enumerate(lifts):
        kind = (lift.motion is None, lift.load_force is None, lift.net_moments is None)
        kinds.setdefault(kind, []).append(k)
    for members in kinds.values():
        first, count = 0, 0
        for at, k in enumerate(members):
            count += len(lifts[k].fraction)
            if count >= frames or at == len(members) - 1:
                yield _block(limbs, lifts, rows, members[first : at + 1], threads)
                first, count = at + 1, 0


def _block(
    limbs: Limb,
    lifts: Sequence[Lift],
    rows: Sequence[int],
    members: Sequence[int],
    threads: int | None,
) -> Block:
    chosen = tuple(lifts[k] for k in members)
    limb_rows = tuple(int(rows[k]) for k in members)
    joined = join_lifts(chosen, limb_rows)
    return Block(
        numbers=tuple(members),
        lifts=chosen,
        limbs=limb_rows,
        edges=np.cumsum([0, *(len(x.fraction) for x in chosen)]),
        prepared=prepare(limbs, joined, threads=threads),
    )
