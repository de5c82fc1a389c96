"""What is said of a backup that should heat and gives nothing, by what shows it (`heater-no-output`)."""

from collections.abc import Mapping

from analytics.detection.telling import Advice

__all__ = ["HEATER_ADVICE"]

_CAUSES = (
    "element burnt out, or heater locked out",
    "safety cut-out tripped, breaker off, or no fuel",
    "contactor, thermostat or its wiring failed",
    "thermostat set lower, or switched off by someone",
)
_CHECKS = (
    "Ask whether it was switched off on purpose; look at its breaker and display without opening a panel.",
    "A tripped cut-out or lock-out has a cause: let licensed people find it before it is reset. Smell of gas: "
    "touch no switch, leave, and call the gas emergency number.",
    "Water that stood lukewarm lets Legionella grow: heat the tank through, and flush, as local rules ask.",
)
_BOILER_CAUSES = (
    "boiler locked out: its display shows a fault code",
    "no fuel, ignition failed, or flue or condensate drain blocked",
    "breaker off, or safety thermostat tripped",
    "the boiler is not called, or heats elsewhere, while the loop's pump runs",
)
_RESTING_CAUSES = (
    "boiler or its controller switched off, by someone or by its breaker, or no fuel",
    "no call for hot water reaches it: tank thermostat or sensor failed, displaced or set lower, wire broken",
    "boiler locked out before its pump starts: its display shows a fault code",
    "controller set to heating only, or its times for hot water changed",
)
_OF_ELEMENT = "An electrician measures the element's resistance with the circuit dead: a burnt-out one is open."
HEATER_ADVICE: Mapping[str, Advice] = {
    "boiler": Advice(
        "soon",
        "{boiler} has given the {backup} loop no heat since {since} although its pump runs: in {idle} of this the "
        "hottest water fell to {lowest_water_degc:.0f} degC, where a backup should act below {cold_limit_degc:.0f} "
        "degC.",
        _BOILER_CAUSES,
        _CHECKS,
    ),
    "in vain": Advice(
        "soon",
        "{boiler} has given the {backup} loop no heat since {since} although its pump runs: in {idle} of this the top "
        "of its tank fell to {lowest_water_degc:.1f} degC. Before, heat came whenever the top had fallen to "
        "{level_degc:.1f} degC or sooner ({on_days} of {level_days} days).",
        _BOILER_CAUSES,
        _CHECKS,
    ),
    "resting": Advice(
        "soon",
        "The backup {backup} has been at rest since {since}, its pump too, although it should heat: in {idle} of "
        "this the hottest water of its tank fell to {lowest_water_degc:.0f} degC while hot water was drawn, where a "
        "backup should act below {cold_limit_degc:.0f} degC.",
        _RESTING_CAUSES,
        _CHECKS,
    ),
    "cold": Advice(
        "soon",
        "The backup {backup} has given no heat since {since} although it should: in {idle} of this the hottest water "
        "fell to {lowest_water_degc:.0f} degC, where a backup should act below {cold_limit_degc:.0f} degC.",
        _CAUSES,
        _CHECKS,
    ),
    "outlet": Advice(
        "soon",
        "The backup {backup} has taken no power since {since} although it should, for {idle} after water of only "
        "{lowest_water_degc:.0f} degC had left its tank, where a backup should act below {cold_limit_degc:.0f} degC.",
        (*_CAUSES, "the tank is hot all the same, and cold water reaches its outlet past it"),
        _CHECKS,
    ),
    "level": Advice(
        "soon",
        "The backup {backup} has taken no power since {since} although it should: in {idle} of this the top of its "
        "tank fell to {lowest_water_degc:.1f} degC. Before, it came on whenever the top had fallen to {level_degc:.1f} "
        "degC or sooner ({on_days} of {level_days} days).",
        (
            "element burnt out",
            "safety cut-out tripped, or breaker off",
            "contactor, thermostat or its wiring failed",
            "thermostat set lower, or switched off by someone, while the sun does the work",
        ),
        (
            _CHECKS[0].replace("switched off on purpose", "switched off or set lower on purpose"),
            _OF_ELEMENT,
            *_CHECKS[1:],
        ),
    ),
    "uncalled": Advice(
        "soon",
        "The backup {backup} has not been called since {since} although it should: in {idle} of this the top of its "
        "tank fell to {lowest_water_degc:.1f} degC. Before, it was called whenever the top had fallen to "
        "{level_degc:.1f} degC or sooner ({on_days} of {level_days} days).",
        (
            "thermostat failed or set lower, or its sensor out of place",
            "switched off by someone, at the controller, its timer or the breaker",
            "safety cut-out tripped before the thermostat",
            "status contact or its wire failed",
        ),
        (
            _CHECKS[0].replace("switched off on purpose", "switched off or set lower on purpose"),
            "Let an electrician see whether the thermostat closes when it is turned up.",
            *_CHECKS[1:],
        ),
    ),
    "status": Advice(
        "soon",
        "The backup {backup} is called since {since} and warms nothing: in {idle} of calls without draws the tank rose "
        "by at most {rise_k:.1f} K in {rise_min} min, where its rated power makes {due_k:.1f} K.",
        (
            "element burnt out",
            "safety cut-out tripped, or breaker off behind the thermostat",
            "contactor failed or its wiring loose",
            "the tank's sensor out of its pocket",
        ),
        (_CHECKS[0], _OF_ELEMENT, *_CHECKS[1:]),
    ),
}
