"""What each part should have given, in sentences: for pages, commands and JSON alike."""

from collections.abc import Sequence
from math import isfinite

from analytics.cusum import average_run_length
from analytics.expected.experience import FIRST_DAYS
from analytics.expected.stages import Expectation
from analytics.expected.subjects import Subject
from analytics.expected.watching import SCHEME, Shift
from analytics.figures import Figure
from analytics.site import Site
from analytics.statistics_of_fit import GUIDELINE_14_LIMITS, FitStatistics
from dashboards.names import heat_pump_name, loop_name, origin_name
from dashboards.numbers import Display, plural, show_day, show_figure, show_number, show_quantity, spoken

__all__ = ["cusum_sentence", "drivers_sentence", "fit_sentences", "part_name", "state_of", "state_sentence"]


def part_name(site: Site, subject: Subject) -> str:
    """The part and what is expected of it."""
    if subject.quantity == "cop":
        return f"{heat_pump_name(site, subject.component)}, COP in heating"
    if subject.quantity == "entering":
        return f"{loop_name(subject.component)}, fluid coming back"
    if subject.quantity == "fall":
        return f"{loop_name(subject.component)}, fall of its fluid within a run for each kW taken"
    return origin_name(site, subject.component)


def state_of(found: Expectation) -> str:
    """less, more, as-expected, learning or unknown."""
    if found.watched.out:
        return "less" if found.watched.out == "low" else "more"
    if not found.watched.experience:
        return "learning" if found.watched.first else "unknown"
    return "as-expected" if any(isfinite(day.z) for day in found.days) else "unknown"


def state_sentence(site: Site, found: Expectation, display: Display) -> str:
    """Whether a part keeps to its first good weeks, and since when not."""
    name, state = part_name(site, found.subject), state_of(found)
    if state == "learning":
        count = max(len(days) for days in found.watched.first.values())
        return f"{name}: nothing can be expected yet; {count} of the first {FIRST_DAYS} good days are known."
    if state == "unknown":
        return f"{name}: nothing was expected on these days. {_why(site, found, display)}".rstrip()
    shift = found.shift
    if shift is None or shift.since is None:
        return _kept(name, found, display)
    return _shifted(name, found, shift, display=display)


def _why(site: Site, found: Expectation, display: Display) -> str:
    """The reason that most of the days have."""
    if not found.days and site.commissioned is not None:
        began = show_day(site.commissioned, display, year=True)
        return f"The house was commissioned on {began}; its days count from then."
    reasons = [day.why for day in found.days if day.why]
    return max(sorted(set(reasons)), key=reasons.count, default="")


def _kept(name: str, found: Expectation, display: Display) -> str:
    judged = [day for day in found.days if isfinite(day.z)]
    had, expected = sum(day.value for day in judged), sum(day.expected for day in judged)
    days = plural(len(judged), "day")
    if judged[-1].day < found.days[-1].day:
        days += f", the last of them {show_day(judged[-1].day, display)}"
    if found.subject.quantity == "entering":
        apart = show_quantity(abs(had - expected) / len(judged), "K", display)
        return f"{name}: as its own days would lead one to expect, on average {apart} apart over {days}."
    part = show_number(100 * had / expected) if expected > 0 else "100"
    verb = "was" if found.subject.quantity in _RATIOS else "gave"
    return f"{name} {verb} what its first weeks would lead one to expect: {part} % of it over {days}."


def _shifted(name: str, found: Expectation, shift: Shift, *, display: Display) -> str:
    assert shift.since is not None
    less, since = found.watched.out == "low", show_day(shift.since, display)
    if found.subject.quantity == "entering":
        apart = show_quantity(abs(shift.had - shift.expected) / shift.days, "K", display)
        way = "colder" if less else "warmer"
        return f"{name}: {apart} {way} than its own days would lead one to expect, since {since}."
    part = show_number(100 * abs(1 - shift.had / shift.expected))
    verb = "was" if found.subject.quantity in _RATIOS else "gave"
    how = f"{part} % {('lower' if less else 'higher') if verb == 'was' else ('less' if less else 'more')}"
    told = f"{name} {verb} {how} than its first weeks would lead one to expect, since {since}"
    return f"{told}{_amounts(found, shift, display)}." + ("" if less or found.subject.quantity == "fall" else _TOO_MUCH)


_RATIOS = ("cop", "fall")
_TOO_MUCH = " More than nature allows is a sensor's fault: look at the sun's, the flow meter and the temperature pair."


def _amounts(found: Expectation, shift: Shift, display: Display) -> str:
    if found.subject.quantity != "heat":
        return ""
    expected = Figure(shift.expected, "kWh", 2 * shift.u_square**0.5)
    had = show_quantity(shift.had, "kWh", display)
    return f": {had} on {shift.days} days instead of {show_figure(expected, display)}"


def drivers_sentence(subject: Subject) -> str:
    """What it is expected from."""
    return f"Expected from {spoken(list(subject.drivers))}, as the house's own good weeks relate them."


def fit_sentences(found: Expectation, display: Display) -> Sequence[str]:
    """How well the model fits, held against ASHRAE Guideline 14."""
    if found.subject.quantity == "entering":
        return [
            f"The model was made of {each.count} days, which scatter by {show_quantity(each.scatter, 'K', display)} "
            "about it. Guideline 14's figures are parts of a mean, which a temperature does not have."
            for each in found.watched.experience.values()
        ]
    return [_fit(mode, fit) for mode, fit in found.fits.items()]


def _fit(mode: str, fit: FitStatistics) -> str:
    day, month = GUIDELINE_14_LIMITS["day"], GUIDELINE_14_LIMITS["month"]
    verdict = "within" if fit.is_within(day) else "beyond"
    nmbe = round(100 * fit.nmbe, 1) + 0.0  # never a zero with a minus
    return (
        f"The model{f' of {mode}' if mode else ''} was made of {fit.n} good days and fits them with CV(RMSE) "
        f"{100 * fit.cv_rmse:.1f} % and NMBE {nmbe:.1f} %: {verdict} the {100 * day.cv_rmse:.0f} % and "
        f"{100 * day.nmbe:.0f} % that are common practice for days (ASHRAE Guideline 14 has {100 * month.cv_rmse:.0f} "
        f"% and {100 * month.nmbe:.0f} % for months, and none for days)."
    )


def cusum_sentence() -> str:
    """How the deviations are added up, and what that is worth."""
    years = average_run_length(0.0, SCHEME) / 365.25
    return (
        f"A CUSUM adds up what exceeds {SCHEME.allowance:g} standard deviation; beyond {SCHEME.limit:g} it speaks. "
        f"Were the days independent, a healthy part would be suspected once in {years:.0f} years, and a lasting "
        f"shift of 2 (3) standard deviations found after {average_run_length(2.0, SCHEME):.1f} "
        f"({average_run_length(3.0, SCHEME):.1f}) days on average."
    )
