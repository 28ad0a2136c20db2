"""Why a machine is refused: every reason, one row each."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Reason:
    """One code, in words for a zone, a spot and the table in the README."""

    code: str
    few: str
    """For tables that people read on paper or a phone: 38 letters at most."""
    words: str
    """A clause without a full stop."""
    whom: str
    """Whom it refuses."""
    lift: str = ""
    """What would lift it at one spot, where `explain/refusals.py` has no words of its own; empty: nothing is said."""


# The order is the order of precedence for `reason`: what can kill first, then what cannot be known, then what merely
# cannot be done.
_ROWS = (
    Reason(
        "no_go", "marked no-go on site", "a person on site marked this ground as no-go",
        "everybody",
    ),
    Reason(
        "unknown_ground", "ground not known", "the ground here, or ground that a machine could get to, is not known",
        "a gap in the data: everybody; a path to it: seated and standing operators",
    ),
    Reason(
        "above_water", "rolls to water", "a machine that rolls from here gets to water",
        "seated operators always; others unless your fleet file lets them. The water itself: everybody",
    ),
    Reason(
        "above_drop", "rolls to a drop", "a machine that rolls from here gets to a drop",
        "the same. The edge and the face of the drop: every machine, not the hand crew",
    ),
    Reason(
        "above_hazard", "rolls to a road or marked hazard",
        "a machine that rolls from here gets to a road, railway or other marked hazard",
        "the same",
    ),
    Reason(
        "beyond_look", "could run on beyond what was looked at",
        "a machine could run on beyond the ground that was looked at",
        "those whom a hazard or unknown ground there would refuse, until you ask for a larger `look_m`",
    ),
    Reason(
        "stand_off", "near water or a drop", "a water's edge or the top of a drop is within the stand-off distance",
        "seated and standing operators, whatever the slope",
    ),
    Reason(
        "unknown_basin", "hollow below that may hold water", "a machine could get to a hollow that may hold water",
        "seated and standing operators, until you give it in `--dry`",
    ),
    Reason(
        "reach", "reaches a hazard at working speed", "a machine at its working speed could get to a hazard",
        "machines that your fleet file does not let work above hazards; not the hand crew",
    ),
    Reason(
        "slope", "too steep", "the slope is over the company's limit",
        "every machine by its own limits",
    ),
    Reason(
        "no_limit_given", "no limit given", "the fleet file gives no limit for this",
        "the machine that lacks it, or lacks its width",
    ),
    Reason(
        "soft", "soft ground", "the ground is likely to be soft and the machine presses harder than the limit",
        "machines by their ground pressure",
    ),
    Reason(
        "low_clearance", "low trees", "trees hang low enough that a roll bar would have to be folded",
        "machines with a roll bar, and seated ones whose fleet file does not tell",
    ),
    Reason(
        "narrow", "too narrow", "the machine does not fit between refused ground",
        "machines by their width; not the hand crew",
    ),
    Reason(
        "no_route", "no route in and out", "there is no way in and out from an entrance",
        "everybody, if you give `--entrances`; by width, gates and crossing limits",
    ),
)  # fmt: skip

REASONS: dict[str, Reason] = {row.code: row for row in _ROWS}
REASON_CODES: tuple[str, ...] = tuple(REASONS)
