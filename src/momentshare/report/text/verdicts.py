"""The verdict on an order, by one rule for every command."""

from __future__ import annotations

from momentshare.trial.checks.verdict import LIMITS, OF_LIMB

__all__ = [
    "ANOTHER_RULE",
    "FIRM_ASKS",
    "FIRM_ORDER",
    "LEVEL_PAIR",
    "LIMITED",
    "MOST_SHORT",
    "OPEN_ORDER",
    "SHORT_ORDER",
    "TOO_OFTEN_SHORT",
    "TURNING",
    "rests_on_short",
    "spans_zero",
    "verdict_on",
]

FIRM_ORDER, TURNING, LIMITED = "firm", "turns", "beyond the limb"
LEVEL_PAIR, OPEN_ORDER, SHORT_ORDER = "level", "open", "short of the moments"
"""Verdicts on an order of two conditions."""

FIRM_ASKS = {
    "compare": "the order is the same for every person, under every treatment of the lateral force "
    "and throughout the band of the posture rule",
    "cohort": "the paired t test over people has p below 0.05 (adjusted after Holm) and an "
    "interval clear of zero, the mean difference is a percentage point or more and keeps its sign "
    "under every change of one input (zero and free lateral force are two of them; single people "
    "may differ), and it is clear of zero with the covariates held, too, if there are any",
    "uncertainty": "at least 95 % of draws agree by every criterion and under every treatment of "
    "the lateral force, or under the measured one alone where it was measured",
}
"""What each command asks of an order that no limit concerns before it calls it firm."""

ANOTHER_RULE = (
    "Commands ask different things: compare and cohort change one assumption at a time and keep "
    "the numbers of the limb, and cohort tests people; uncertainty draws all numbers at once and "
    "tests nobody. So an order that is firm in one may be open in another, and another may lead."
)
"""Why commands differ on the same study."""

MOST_SHORT = LIMITS[OF_LIMB][1] / 100.0
"""Share of draws that may fall short at a published point; above it its orders show what the limb
lacks and not how the conditions differ. The same as of the frames of a trial."""

TOO_OFTEN_SHORT = f"more than {100 * MOST_SHORT:.0f} % of draws demand more than the limb has"
"""What is said of such a point."""


def rests_on_short(count: int, what: str) -> str:
    """State how many orders rest on a point where the limb falls short too often.

    Parameters
    ----------
    count : int
    what : str
        What they rest on, such as "a point".

    Examples
    --------
    >>> rests_on_short(1, "a point")
    '1 order rests on a point where more than 10 % of draws demand more than the limb has'
    """
    orders = "1 order rests" if count == 1 else f"{count:,} orders rest"
    return f"{orders} on {what} where {TOO_OFTEN_SHORT}"


def spans_zero(low: float, high: float) -> bool:
    """Whether a range of differences includes none at all.

    Examples
    --------
    >>> spans_zero(-0.006, 0.477), spans_zero(-0.03, -0.01), spans_zero(0.0, 0.2)
    (True, False, True)
    """
    return low <= 0.0 <= high


def verdict_on(
    limit: str,
    *,
    level: bool = False,
    short: bool = False,
    turns: bool = False,
    sure: bool = True,
) -> str:
    """Judge an order; what a limit of the limb concerns is never firm.

    Parameters
    ----------
    limit : str
        Keys of the limits that concern the order; empty without any.
    level : bool
        Whether the two are level in all that was tried.
    short : bool
        Whether one of the two falls short of its moments too often to be compared.
    turns : bool
        Whether something that was tried reverses the order, or leaves nothing of it.
    sure : bool
        Whether tests, draws or people bear the order out.

    Examples
    --------
    >>> verdict_on(""), verdict_on("L3"), verdict_on("", turns=True), verdict_on("", sure=False)
    ('firm', 'beyond the limb', 'turns', 'open')
    >>> verdict_on("L3", level=True)
    'level'
    >>> verdict_on("", short=True), verdict_on("L3", short=True)
    ('short of the moments', 'beyond the limb')
    """
    if level:
        return LEVEL_PAIR
    if limit:
        return LIMITED
    if short:
        return SHORT_ORDER
    if turns:
        return TURNING
    return FIRM_ORDER if sure else OPEN_ORDER
