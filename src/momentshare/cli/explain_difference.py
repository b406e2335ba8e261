"""``momentshare explain --against CONDITION``: why a head works more in one than in another."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from momentshare.cli.explain_lifts import pick, solve_lifts
from momentshare.cli.explain_more import (
    Bearing,
    bearing,
    equal_tables,
    limiting,
    limiting_table,
    shares_of_limiting,
    solve_drawn_lifts,
    touched,
)

if TYPE_CHECKING:
    from momentshare.analysis import LiftResult
    from momentshare.cli.explain_lifts import SolvedLifts
    from momentshare.cohort.schema import CohortStudy
    from momentshare.explain.difference import Difference
    from momentshare.explain.drawn import DrawnDifferences, Share
    from momentshare.explain.frame_pairs import EqualMoments
    from momentshare.explain.group_changes import WhatIf
    from momentshare.explain.head import HeadExplanation
    from momentshare.explain.limiting import LimitingStrength
    from momentshare.limits import LiftKind
    from momentshare.study import Study

__all__ = ["Asked", "Explained", "explain_conditions"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """Options of a comparison of two conditions, as on the command line."""

    person: str
    conditions: tuple[str, str]
    head: str | None
    height: float | None
    lateral: str | None
    repetition: int
    draws: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Explained:
    """Everything reported about two conditions."""

    asked: Asked
    title: str
    pair: tuple[LiftResult, LiftResult]
    head: str
    found: Difference
    heads: tuple[HeadExplanation, HeadExplanation]
    along: Any
    changes: WhatIf
    drawn_changes: tuple[WhatIf, ...]
    limits: tuple[tuple[str, LimitingStrength], ...]
    marks: dict[str, str]
    kinds: dict[str, LiftKind]
    equal: tuple[EqualMoments, ...]
    drawn: DrawnDifferences | None
    shares: dict[str, dict[str, Share]]
    bearing: Bearing

    def sums(self) -> tuple[str, ...]:
        """Capacity and activation of both, as sums that can be checked with a calculator."""
        from momentshare.explain.sums import sum_lines

        pairs = zip(self.heads, self.found.names, strict=True)
        return tuple(line for own, name in pairs for line in sum_lines(own, f"'{name}'"))

    def short(self) -> list[str]:
        """State what the limb cannot meet in either condition."""
        from momentshare.explain.short import short_text

        pairs = zip(self.heads, self.found.names, strict=True)
        return [text for own, name in pairs if (text := short_text(own, name))]

    def paragraphs(self) -> tuple[str, ...]:
        """Paragraphs, the answer first."""
        from momentshare.explain import difference_sentences as say
        from momentshare.explain.head_sentences import equal_sentences, limiting_sentence
        from momentshare.explain.limited_heights import limited_heights_texts
        from momentshare.explain.short import short_sentences

        found, head = self.found, self.head
        pairs = list(zip(self.heads, found.names, strict=True))
        mixtures = (
            f"In {found.short} of {found.states} mixtures of the two a moment could not be met; "
            "their parts then rest on the nearest answer."
        )
        return (
            " ".join(say.answer_sentences(found, head, self.drawn)),
            *(text for own, name in pairs for text in short_sentences(own, name)),
            say.along_sentence(found, head, self.along),
            *limited_heights_texts(
                self.pair[0].prepared.limb.model.limits,
                [head],
                sorted(set(self.along["height_fraction"].tolist())),
                [self.kinds[name] for name in found.names],
                found.lateral[:1],
                claim="order",
            ),
            say.sure_sentence(found, head, self.drawn, self.asked.draws),
            *((mixtures,) if found.short else ()),
            *self.bearing.texts,
            say.what_if_sentence(self.changes, head, drawn=self.drawn_changes),
            *(
                limiting_sentence(own, name, self.shares.get(name), self.marks)
                for name, own in self.limits
            ),
            *equal_sentences(self.equal, self.keys_in),
        )

    def keys(self, head: str) -> str:
        """Keys of the limits that concern how a head differs at this height."""
        from momentshare.explain.limited_heights import head_keys

        return head_keys(
            self.pair[0].prepared.limb.model.limits,
            head,
            self.found.heights[0],
            [self.kinds[name] for name in self.found.names],
            self.found.lateral[0],
            claim="order",
        )

    def keys_in(self, pair: EqualMoments, place: int) -> str:
        """Keys of the limits that concern the head of a pair of frames in one of them."""
        from momentshare.explain.limited_heights import head_keys

        name = pair.names[place]
        return head_keys(
            self.pair[0].prepared.limb.model.limits,
            pair.head,
            pair.heights[place],
            [self.kinds[name]],
            self.found.lateral[self.found.names.index(name)],
        )

    def tables(self) -> dict[str, Any]:
        """File name → table."""
        from momentshare.validation.bearing import rows_table

        out = {
            "difference.csv": self.found.to_dataframe(),
            "difference_components.csv": self.found.to_components(),
            "difference_rows.csv": self.found.to_rows(),
            "difference_along_lift.csv": self.along,
            "what_if.csv": self.changes.to_dataframe(),
            **equal_tables(
                self.equal,
                dict(zip(self.found.names, self.pair, strict=True)),
                self.pair[0].prepared.limb.model.limits,
                self.kinds,
            ),
            "published_rows.csv": rows_table(self.bearing.rows),
        }
        if self.limits:
            out["greatest_load_by_strength.csv"] = limiting_table(self.limits, self.marks)
        if self.drawn is not None and self.drawn.draws:
            out["difference_draws.csv"] = self.drawn.to_dataframe()
        return out

    def record(self) -> dict[str, Any]:
        """Plain data of the comparison."""
        index = self.found.head_names.index(self.head)
        return {
            "head": self.head,
            "conditions": list(self.found.names),
            "height_fractions": list(self.found.heights),
            "lateral": list(self.found.lateral),
            "activation": self.found.activation[:, index].tolist(),
            "difference": float(self.found.gap[index]),
            "parts": self.found.factors(self.head),
            "components": {
                factor: self.found.components(self.head, factor)
                for factor in self.found.factors(self.head)
            },
            "mixtures": self.found.states,
            "mixtures_short": self.found.short,
            "draws": 0 if self.drawn is None else self.drawn.draws,
            "limits": list(self.bearing.keys),
        }


def explain_conditions(source: Study | CohortStudy, asked: Asked) -> Explained:
    """Solve and explain the difference between two conditions of one person."""
    from momentshare.explain import frame_at, weakest_frame
    from momentshare.explain.difference import explain_difference, factor_parts_along
    from momentshare.explain.frame_pairs import equal_moments
    from momentshare.explain.group_changes import what_if
    from momentshare.explain.head import explain_head

    lifts = solve_lifts(source, asked.person, asked.conditions, asked.repetition)
    pair, modes = _pair(lifts, asked)
    frame = weakest_frame(pair[0]) if asked.height is None else frame_at(pair[0], asked.height)
    found = explain_difference(*pair, frame=frame, names=asked.conditions)
    head = asked.head or _most_telling(lifts, asked, found)
    named = tuple(zip(asked.conditions, pair, strict=True))
    heads = tuple(explain_head(r, head, frame=k) for r, k in zip(pair, found.frames, strict=True))
    drawn, shares, again = _drawn(lifts, asked, modes, found)
    limits = tuple((name, own) for name, result in named if (own := limiting(result)) is not None)
    kinds = [lifts.kinds[name] for name in asked.conditions]
    about = bearing(
        lifts.setup.limbs.model,
        (head,),
        kinds,
        height=found.heights[0],
        lateral=modes[0],
    )
    changes = what_if([(name, r, k) for (name, r), k in zip(named, found.frames, strict=True)])
    marks = touched(lifts.setup.limbs.model, kinds, modes)
    return Explained(
        asked=asked,
        title=f"{asked.person}, '{asked.conditions[0]}' against '{asked.conditions[1]}'",
        pair=pair,
        head=head,
        found=found,
        heads=heads,  # type: ignore[arg-type]  # two
        along=factor_parts_along(*pair),
        changes=changes,
        drawn_changes=again,
        limits=limits,
        marks=marks,
        kinds=lifts.kinds,
        shares=shares,
        equal=equal_moments(
            named, [name for name in marks if marks[name]], [asked.head] if asked.head else None
        ),
        drawn=drawn,
        bearing=about,
    )


def _most_telling(lifts: SolvedLifts, asked: Asked, found: Difference) -> str:
    """Head that differs most among those that no limit concerns; among all if none is left."""
    from momentshare.limits import height_third

    limits = lifts.setup.limbs.model.limits
    order: list[str] = [found.head_names[k] for k in abs(found.gap).argsort()[::-1]]
    kinds = [lifts.kinds[name] for name in asked.conditions]
    part = height_third(found.heights[0])
    free = (
        head
        for head in order
        if not limits.at(
            "activation", "force", head=head, kinds=kinds, part=part, claim="order",
            lateral=found.lateral[0],
        )
    )  # fmt: skip
    return next(free, order[0])


def _pair(
    lifts: SolvedLifts, asked: Asked
) -> tuple[tuple[LiftResult, LiftResult], tuple[str, str]]:
    """Answers of both conditions, under the first treatment of the lateral force that both have.

    A condition with ``zero`` only, such as dumbbells, is paired with every treatment of the other.
    """
    from momentshare.errors import InputError

    first, second = (lifts.results[name] for name in asked.conditions)
    only = [name for name in asked.conditions if list(lifts.results[name]) == ["zero"]]
    if asked.lateral is None:
        shared = [mode for mode in first if mode in second]
        if shared:
            return (first[shared[0]], second[shared[0]]), (shared[0], shared[0])
        if not only:
            raise InputError(
                f"--against: {asked.conditions[0]!r} and {asked.conditions[1]!r} share no "
                f"treatment of the lateral force ({', '.join(first)}; {', '.join(second)}); name "
                "one with --lateral, or set settings → lateral"
            )
    modes = tuple(
        "zero" if name in only else pick(lifts.results[name], asked.lateral, name)
        for name in asked.conditions
    )
    return (first[modes[0]], second[modes[1]]), (modes[0], modes[1])


def _drawn(
    lifts: SolvedLifts, asked: Asked, modes: tuple[str, str], found: Difference
) -> tuple[DrawnDifferences | None, dict[str, dict[str, Share]], tuple[WhatIf, ...]]:
    """Differences in the draws, the shares of what limits each load, and what-ifs by draw."""
    from momentshare.explain import frame_at
    from momentshare.explain.drawn import drawn_differences
    from momentshare.explain.group_changes import what_if

    if not asked.draws:
        return None, {}, ()
    results = solve_drawn_lifts(lifts, asked.conditions, modes, asked.draws)
    pairs = [(own[0], own[1]) for own in results]
    shares = {
        name: shares_of_limiting([own[k] for own in results], found_of)
        for k, name in enumerate(asked.conditions)
        if (found_of := limiting(lifts.results[name][modes[k]])) is not None
    }
    again = tuple(
        what_if(
            [
                (name, result, frame_at(result, height))
                for name, result, height in zip(asked.conditions, own, found.heights, strict=True)
            ]
        )
        for own in pairs
    )
    return drawn_differences(pairs, found.heights), shares, again
