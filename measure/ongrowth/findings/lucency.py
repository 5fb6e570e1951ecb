"""The halo of one screw against the windows of its week."""

from __future__ import annotations

import dataclasses
import math

from ongrowth.findings.windows import Windows, gravest, place, place_in_rows, rows_for
from ongrowth.halo import Halo, HaloSummary, is_uneven, side_difference
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.reading import SIDE_QUANTITIES, Against, Finding, Window
from ongrowth.wording import say, with_unit

# Between these weeks the expected width changes with the calendar, not with the screw, so a width
# is called outside there only if it would be so both before and after.
TURN_WEEKS = (10.0, 14.0)
_JUST_BEFORE_WEEKS = 1e-6

_HELD_SHARE = 0.5  # below this share of lucent surface a side is taken to show contact; project's choice

NO_WEEK = "The weeks since surgery are not known, so no expected range applies."
BEFORE_SURGERY = "The scan is from before surgery."
DOUBTFUL_DIAMETER = "The stated diameter does not fit the image, and widths hang on it: check the diameter."
NO_ROW = "The table of expected ranges says nothing of it at this week."


@dataclasses.dataclass(frozen=True, slots=True)
class Place:
    """Where a finding belongs: implant, surface, side, week, and the table it is held against."""

    implant: str
    surface: str
    side: str
    weeks: float
    windows: Windows

    def rows(self, quantity: str, weeks: float | None = None) -> Windows:
        """Return the rows for a quantity here, at this or another week."""
        at = self.weeks if weeks is None else weeks
        return rows_for(self.windows, self.surface, quantity, self.side, at)


def judge_side(here: Place, side: HaloSummary, other: HaloSummary, excess: Measured) -> tuple[Finding, ...]:
    """Return the findings on one side's halo.

    `other` is the side across the defect, `excess` by how much this side is wider than that one, mm.
    """
    return (*_judge_alone(here, side), judge_contact(here, side, other, excess), *_judge_more(here, side))


def judge_whole(here: Place, whole: HaloSummary) -> tuple[Finding, ...]:
    """Return the findings on the halo of a shaft whose sides cannot be told apart."""
    return (*_judge_alone(here, whole), *_judge_more(here, whole))


def _judge_alone(here: Place, part: HaloSummary) -> tuple[Finding, ...]:
    return (
        judge_width(here, "mean_width", part.mean_width),
        judge_evenness(here, part),
        judge_width(here, "widest_sector", _widest(part)),
        judge_rim(here, part),
    )


def _judge_more(here: Place, part: HaloSummary) -> tuple[Finding, ...]:
    """Return the findings on quantities that only some windows tables speak of."""
    return tuple(judge_width(here, name, getattr(part, name)) for name in SIDE_QUANTITIES if here.rows(name))


def judge_width(here: Place, quantity: str, value: Measured) -> Finding:
    """Hold a width (or a share, length or volume) against its rows, with care about the turn at week 12."""
    rows = here.rows(quantity)
    against, window = place_in_rows(value, rows)
    why = _why(here, value, against, window)
    if against is Against.OUTSIDE and _is_turn(here.weeks):
        neighbours = (place_in_rows(value, here.rows(quantity, weeks))[0] for weeks in _turn_ends())
        if any(result is not Against.OUTSIDE for result in neighbours):
            against = Against.UNDECIDED
            why = "Near week 12 a width alone does not turn from as expected to outside."
    if value.is_known and window is not None and Caution.DIAMETER_DOUBTFUL in value.cautions:
        against, why = Against.UNDECIDED, DOUBTFUL_DIAMETER
    return Finding(here.implant, here.side, quantity, value, window, against, why)


def _is_turn(weeks: float) -> bool:
    return TURN_WEEKS[0] <= weeks <= TURN_WEEKS[1]


def _turn_ends() -> tuple[float, float]:
    return TURN_WEEKS[0] - _JUST_BEFORE_WEEKS, TURN_WEEKS[1] + _JUST_BEFORE_WEEKS


def _why(here: Place, value: Measured, against: Against, window: Window | None) -> str:
    """Return the sentence on a value and the row that decided."""
    if not value.is_known:
        return f"This scan does not tell: {value.cautions.words or 'no reason given'}."
    if window is None:
        return no_window_reason(here.weeks)
    if against is Against.AS_EXPECTED:
        return " ".join(words for words in (excluded_words(value, window), window.meaning) if words)
    if place(value, dataclasses.replace(window, beyond=Against.OUTSIDE)) is Against.UNDECIDED:
        if math.isfinite(value.below_limit):  # print leaves its interval out
            top = with_unit(value.high95, value.unit)
            return f"This scan does not exclude {top}; the limit expected is {_limit(value, window)}."
        return f"The 95 % interval spans the limit of {_limit(value, window)}."
    side = "below the expected" if value.high95 < window.low else "past the limit of"
    return f"{say(value)} is {side} {_limit(value, window)}. {window.meaning}"


def excluded_words(value: Measured, window: Window) -> str:
    """Return what is excluded, or not, where print ("below" the detection limit) does not show it.

    Parameters
    ----------
    value : Measured
        A figure as expected.
    window : Window
        The row it was held against.
    """
    limit, top = (with_unit(one, value.unit) for one in (value.below_limit, value.high95))
    if value.below_limit > window.high:
        return f"Only a halo of {limit} would surely show, but the 95 % interval excludes more than {top}."
    if value.high95 > value.below_limit and top != limit:
        return f"A halo of {top} is not excluded."
    return ""


def no_window_reason(weeks: float) -> str:
    """Return why no window applies at a week."""
    if math.isnan(weeks):
        return NO_WEEK
    return BEFORE_SURGERY if weeks < 0.0 else NO_ROW


def _limit(value: Measured, window: Window) -> str:
    passed = window.high if value.high95 > window.high else window.low
    return with_unit(passed, window.unit)


def _widest(side: HaloSummary) -> Measured:
    """Return the sector that is surely widest: the one with the highest lower bound."""
    known = [sector for sector in side.sector_mean_width if sector.is_known]
    if not known:
        return Measured.missing(Unit.MM, side.mean_width.cautions | Caution.LITTLE_MEASURED)
    return max(known, key=lambda sector: sector.low95)


def judge_evenness(here: Place, side: HaloSummary) -> Finding:
    """Say whether the halo is even: no sector beyond the mean by more than its u95 and the limit."""
    excess = side.sector_excess
    rows = here.rows("sector_excess")
    window = rows[0] if rows else None
    if window is None or not excess.is_known:
        against = Against.UNDECIDED if excess.is_known else Against.NOT_MEASURABLE
        return Finding(
            here.implant,
            here.side,
            "sector_excess",
            excess,
            window,
            against,
            _why(here, excess, against, window),
        )
    uneven = is_uneven(excess, window.high)
    if not uneven:
        why, against = _even_words(excess, window), Against.AS_EXPECTED
    else:
        why = f"One sector is {say(excess)} wider than the mean of its side." + _one_sided_words(here.weeks)
        against = window.beyond
    state = "uneven" if uneven else "even"
    return Finding(here.implant, here.side, "sector_excess", excess, window, against, why, state)


def _even_words(excess: Measured, window: Window) -> str:
    """Say how surely a halo is even: unevenness is what must be shown, and a scan may not be able to."""
    limit = with_unit(window.high, window.unit)
    if excess.high95 <= window.high:
        return f"No sector is wider than the mean of its side by more than {limit}."
    left_open = with_unit(excess.high95, excess.unit)
    shown = f"No sector is shown to be wider than the mean of its side by more than {limit}"
    return f"{shown}; up to {left_open} is not excluded."


def _one_sided_words(weeks: float) -> str:
    return " One-sidedness alone decides nothing before week 12." if weeks < 12.0 else ""


def judge_rim(here: Place, side: HaloSummary) -> Finding:
    """Say whether a dense line at the outer edge of the halo counts at this week."""
    rows = here.rows("rim")
    window = rows[0] if rows else None
    value, state = side.rim.thickness_mm, side.rim.present
    if state != "present":
        against = Against.AS_EXPECTED if state == "not shown" else Against.NOT_MEASURABLE
        why = "No dense line round the halo is shown." if state == "not shown" else "This scan does not tell."
    elif window is None:
        against, why = Against.UNDECIDED, no_window_reason(here.weeks)
    elif not _has_halo(side):
        against, why = Against.UNDECIDED, "A dense line is shown, but no halo inside it."
    else:
        against, why = window.beyond, f"A dense line is shown round the halo. {window.meaning}"
    return Finding(here.implant, here.side, "rim", value, window, against, why, state)


def _has_halo(side: HaloSummary) -> bool:
    return side.mean_width.low95 > 0.0 and math.isnan(side.mean_width.below_limit)


def judge_contact(here: Place, side: HaloSummary, other: HaloSummary, excess: Measured) -> Finding:
    """Say whether this whole side is lucent while the other side of the defect is not."""
    rows = here.rows("contact")
    window = rows[0] if rows else None
    against, why = _contact(side, other, excess, window)
    return Finding(here.implant, here.side, "contact", side.lucent_share, window, against, why)


def _contact(
    side: HaloSummary, other: HaloSummary, excess: Measured, window: Window | None
) -> tuple[Against, str]:
    share = side.lucent_share
    if not share.is_known:
        return Against.NOT_MEASURABLE, f"This scan does not tell: {share.cautions.words}."
    whole = 0.9 if window is None else window.high
    if 1.0 - side.no_lucency_share.low95 < whole:  # what is undecided may be lucent
        return Against.AS_EXPECTED, "Part of this side shows no lucency."
    if not other.lucent_share.is_known:
        return Against.UNDECIDED, "This side may be lucent all over, and the other side is not measurable."
    if other.lucent_share.low95 >= _HELD_SHARE:
        return Against.AS_EXPECTED, "The other side of the defect is lucent too."
    if not excess.low95 > 0.0:
        return Against.AS_EXPECTED, "This side does not differ from the other side of the defect."
    if share.low95 >= whole and other.lucent_share.high95 <= _HELD_SHARE:
        return (
            Against.OUTSIDE,
            "This whole side is lucent, most of the other side is not shown to be, and it is narrower.",
        )
    return Against.UNDECIDED, "This side is wider than the other and may be lucent all over."


def line_result(findings: tuple[Finding, ...]) -> Against:
    """Return what the findings on one side's halo amount to.

    Outside or undecided if any is; else as the mean width stands.

    Parameters
    ----------
    findings : tuple of Finding
        Of one side's halo.
    """
    results = [f.against_window for f in findings]
    grave = gravest(r for r in results if r is not Against.NOT_MEASURABLE)
    if grave in (Against.OUTSIDE, Against.UNDECIDED):
        return grave
    return next((f.against_window for f in findings if f.quantity == "mean_width"), Against.NOT_MEASURABLE)


def judge_halo(halo: Halo, weeks: float, windows: Windows, implant: str, surface: str) -> tuple[Finding, ...]:
    """Return the findings on both sides of a halo; on the whole shaft too where no defect parts it.

    Parameters
    ----------
    halo : Halo
        What was measured.
    weeks : float
        Weeks since surgery; NaN: not known.
    windows : tuple of Window
        What is expected.
    implant, surface : str
        Id of the screw; its surface.
    """
    head = Place(implant, surface, "head_side", weeks, windows)
    tip = Place(implant, surface, "tip_side", weeks, windows)
    tip_excess = side_difference(halo)
    head_excess = Measured.of(-tip_excess.value, tip_excess.u, Unit.MM, tip_excess.cautions)
    sides = (
        *judge_side(head, halo.head_side, halo.tip_side, head_excess),
        *judge_side(tip, halo.tip_side, halo.head_side, tip_excess),
    )
    if halo.is_parted or not halo.whole.mean_width.is_known:
        return sides
    return (*sides, *judge_whole(Place(implant, surface, "whole", weeks, windows), halo.whole))
