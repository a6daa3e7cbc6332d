"""The codes that results are stored and compared by. What is printed for them stands in one file for each language."""

from __future__ import annotations

from enum import StrEnum


class Status(StrEnum):
    """What a run advises of a retrofit on a site."""

    RECOMMENDED = "recommended"
    SUBJECT_TO_SURVEY = "subject_to_survey"  # worth it, once somebody has looked or asked
    ASK_FIRST = "ask_first"  # worth it only if the customer's answers on the phone allow it
    TOO_UNCERTAIN = "too_uncertain"  # expected to be worth something, but too seldom to sell it on that
    NOT_COST_EFFECTIVE = "not_cost_effective"
    NOT_APPLICABLE = "not_applicable"  # does not fit the site
    ALREADY_FITTED = "already_fitted"
    SAFETY_REMEDIAL = "safety_remedial"  # not for its worth, but a danger is known to stand there now
    FAILED = "failed"  # the plugin failed in this run
    CLAIM_ONLY = "claim_only"  # computed to stand beside what the trade claims; never offered


OFFERED = (Status.RECOMMENDED, Status.SUBJECT_TO_SURVEY)


class ContactRule(StrEnum):
    """Why a customer may not be called about offers. In the order in which the rules are judged."""

    OBJECTED = "objected"
    ON_REGISTER = "on_register"  # of do-not-call numbers, without an agreement to be called in spite of it
    NOT_ALLOWED = "not_allowed"
    REFUSED = "refused"  # said no on two days, by the call log
    NOT_SETTLED = "not_settled"  # permission not known
    NO_BASIS = "no_basis"  # allowed, but no basis for it is recorded
    ASKED_TO_WAIT = "asked_to_wait"  # to be called later, and that day has not come
    QUIET_PERIOD = "quiet_period"  # spoken to within so many days: the detail


class CallKind(StrEnum):
    """On which list of a run a site stands: that of people to warn, of people to serve, of people to sell to."""

    WARN = "warn"  # a danger is known to stand: told, nothing is sold
    WARN_AND_OFFER = "warn_and_offer"  # likewise, and something is worth it
    NOTICE = "notice"  # a danger or a standstill is known, yet nobody calls about offers: told all the same
    SERVICE = "service"  # the system stands still by its meter: called after the dangers, nothing is sold
    OFFER = "offer"
    IN_PASSING = "in_passing"  # good for the owner, too small for the company: told or done when somebody is there


TO_WARN = (CallKind.WARN, CallKind.WARN_AND_OFFER, CallKind.NOTICE)


TO_TELL = (*TO_WARN, CallKind.SERVICE)


class NotCalled(StrEnum):
    """Why a site is not on the list of calls, other than by a :class:`ContactRule`."""

    NO_ARRAY = "no_array"  # nothing could be valued
    NO_TARIFF = "no_tariff"
    NO_POSITION = "no_position"
    NO_WEATHER = "no_weather"  # for its position
    NO_OFFER = "no_offer"  # nothing is worth it there
    TOO_FAR = "too_far"  # something fits, but the site is farther than the company drives: the detail, km by road
    OTHER_OFFER = "other_offer"  # at this site
    SAFETY_FIRST = "safety_first"  # this site is called for a safety matter
    CALL_COSTS_MORE = "call_costs_more"  # than it brings on average
    TRIP_COSTS_MORE = "trip_costs_more"
    SHORT_OF_CAPACITY = "short_of_capacity"  # the detail names what is short
    NOT_IN_RUN = "not_in_run"  # loaded after it


class CostKind(StrEnum):
    """What a cost item is; what ``item`` names follows from it."""

    MATERIAL = "material"
    LABOUR = "labour"
    ACCESS = "access"
    INSPECTION = "inspection"
    TRAVEL = "travel"  # the way to a site; no line of a retrofit has it
    STANDING = "standing"
    AVOIDED_WORK = "avoided work"
    AVOIDED_RISK = "avoided risk"
    AVOIDED_NUISANCE = "avoided nuisance"
    OWN_WORK = "own work"
    INCOME = "income"


class Obstacle(StrEnum):
    """Why a retrofit was not valued on a site, where it is not the retrofit's own screening that says so."""

    FITTED = "fitted"  # and still within its life
    FITTED_WITH_DANGER = "fitted_with_danger"  # recorded as fitted, yet a danger is known to stand
    TOO_FAR = "too_far"  # beyond the farthest distance that the company drives
    PLUGIN_FAILED = "plugin_failed"


class PlanStatus(StrEnum):
    """How good the list of calls is."""

    PROVEN_BEST = "proven_best"
    WITHIN_GAP = "within_gap"  # that was asked for
    OUT_OF_TIME = "out_of_time"  # the best that was found


class HourMethod(StrEnum):
    """How it was found what one more hour would be worth."""

    RESOLVED = "resolved"  # the programme with one hour more
    RELAXED = "relaxed"  # likewise, both times with parts of offers allowed
    NOT_ASKED = "not_asked"
    NO_TIME = "no_time"


class Untold(StrEnum):
    """What the production readings of a site could not tell, or tell in part, and why."""

    NO_READINGS = "no_readings"
    CURTAILED = "curtailed"  # output is held back
    NO_OUTPUT = "no_output"  # none is computed
    NONE_EXPECTED = "none_expected"  # in the time of the readings
    BEYOND_BOUNDS = "beyond_bounds"  # the factor says that the facts or the meter are wrong
    TOO_FEW = "too_few"  # to change the computed output
    NO_TREND = "no_trend"  # too few full years for one
    LOW_LIGHT = "low_light"  # little output in it
    OTHER_BALANCE = "other_balance"  # import or export by the meters is not what is computed


class Unmeasured(StrEnum):
    """Why meters do not tell what work delivered."""

    NOT_VALUED = "not_valued"  # the site cannot be simulated: place, array or tariff is missing
    NO_READINGS = "no_readings"  # of that meter
    SHORT_BEFORE = "short_before"  # too few months before the work
    STOPPED = "stopped"  # the readings end before the work, or with it
    SHORT_AFTER = "short_after"  # too few months since the work


class Basis(StrEnum):
    """How the weather was taken out of readings before and after work."""

    WEATHER = "weather"  # by the light of those months, as loaded
    NEIGHBOURS = "neighbours"  # by sites without work in the same time
    TYPICAL = "typical"  # not at all: typical years on both sides, with the spread of years in the interval
