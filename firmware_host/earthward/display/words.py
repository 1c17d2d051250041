"""Every word that the screens show, in one place, so that they can be read together and translated.

Names of the pole's ends, of fittings and places come from the daemon. Words of the trade as in the glossary.
"""

from __future__ import annotations

from typing import Final

EMULATED = "EMULATED"
NO_DAEMON = "NO DAEMON"
WAITING = "waiting for the daemon"
READ_ONLY = "read-only"

OPERATOR = "the person at the display"

# The interlock's states: each a different word, so that nothing hangs on a colour.
INTERLOCK = {
    "off": "source off",
    "checking": "checking",
    "ready": "ready",
    "energised": "ENERGISED",
    "tripped": "TRIPPED",
}

TOWARD = "TOWARD {}"
NO_DIRECTION = "NO CLEAR DIRECTION"
OFF_AXIS_LEFT = "{:.0f}° LEFT OF {}"
OFF_AXIS_RIGHT = "{:.0f}° RIGHT OF {}"
SIDE_MARK = {"front": "→", "back": "←", "none": "≈"}
NO_READING_SHORT = "no reading"
BELOW_BAND = "below two sigma"
STEADY = "steady"
UNSTEADY = "UNSTEADY: {}"
POLE_MOVING = "pole moving"
UNCLEAR = "unclear: {}"

# Why there is no number.
OLD_DATA = "NO NEW READING FOR {:.0f} s"
NEVER_READ = "NO READING YET"
ACQUIRING = "ACQUIRING THE SIGNAL"
SATURATED = "INPUT SATURATED"
SATURATED_HELP = "the input is at its limit: no sign is claimed"
NO_SIGNAL_HELP = "the waveform is not found yet: keep the pole still"
OLD_HELP = "the last number was taken off: do not go by it"
DISCONNECTED = "NOT CONNECTED FOR {:.0f} s"
DISCONNECTED_HELP = "the daemon does not answer at {}; trying again by itself"
SOURCE_OFF = "SOURCE OFF"
SOURCE_CHECKING = "CHECKING BEFORE THE SOURCE MAY BE ON"
SOURCE_READY = "READY: hold the enable at the pool side"
SOURCE_WARNING = "SOURCE COMES ON IN {:.0f} s: OUT OF THE WATER"
SOURCE_TRIPPED = "TRIPPED: "
REMEDY = "Do: "
MISSING = "waiting for:"
MORE_MISSING = "+ {} more: see Steps"
ALL_PERMISSIVES = "all permissives hold"
NOT_ENERGISED_HELP = "no reading is shown while the source is off"

# Reasons that a reading carries as flags.
FLAGS = {
    "acquiring": "acquiring",
    "saturated": "input saturated",
    "lost": "samples lost",
    "range changed": "range just changed",
    "mains": "mains pick-up",
    "transient": "knock or spark",
    "clock old": "clock map is old",
    "quadrature": "phase is off",
    "no sign": "no sign",
    "motion": "pole moving",
    "rival": "another tone is near",
}

BAND = "± {} (95 %)"
OF_CURRENT = "{} of {}"
INPUT_OK = "input ok"
INPUT_BAD = "INPUT: {}"
INPUT_SATURATED = "INPUT SATURATED"
LINK_OK = "link ok"
LINK_BAD = "LINK: {}"
LOST_PERCENT = "lost {:.1f} %"
SAMPLES_PER_S = "{:.0f}/s"
RANGE = "range ±{}"
ROUND_TRIP = "reply {:.0f} ms"
MAINS = "mains {} at {:.0f} Hz"
RECORDING = "recording"
NOT_RECORDING = "NOT RECORDING: {}"
BATTERY = "battery {:.1f} V"
VOLTAGE = "{:.1f} V"
ELECTRODE = "electrode {}"
WAVEFORM = "{} {:.1f} Hz"
TREND = "last 20 s, full scale ±{}"
FULL_SCALE = "±{}"
WINDOW = "window {:.2f} s"
AT_PLACE = "at {}"
NO_PLACE = "place not set"
NEXT_PLACE = "next {}"
NEXT_TAPES = "tapes: {} from {}, {} from {}"
STATIONS_KEPT = "{} kept"
LOST_LINES = "{} readings left out"

# The four keys.
KEEP = "keep"
MAP = "map"
NEXT = "next"
OFF = "OFF"
USUAL_KEYS = {"keep": "keep", "map": "map", "next": "next"}
CONFIRM_KEY = "confirm"
DECIDE_KEY = "decide"
ACCEPT_KEY = "accept"
DIGIT_KEY = "digit"
OLDER_KEY = "older"
SET_AND_KEEP = "set + keep"
HELP_KEY = "help"

# Messages after a press.
SAID_OFF = "SOURCE OFF sent"
SAID_OFF_UNSENT = "NOT CONNECTED: USE THE EMERGENCY STOP"
SAID_KEEP = "keeping at {} ..."
KEPT = "kept {} at {}"
REFUSED = "not done: {}"
KEEP_REFUSED_OLD = "not kept: no fresh reading"
KEEP_REFUSED_SOURCE = "not kept: the source is off"
KEEP_REFUSED_PLACE = "not kept: set the place first (next, or P)"
NOT_SENT = "not sent: no connection to the daemon"
NO_NEXT = "no place to go to: no plan of the pool yet"
MOVED = "now at {}"
SAID_VOLUME = "cue volume {:.0f} %"
SAID_ZOOM = {True: "cue zoomed: a few percent are heard", False: "cue over its whole range"}
SAID_STEP = "{}: said to the daemon"
NO_STEP = "nothing to confirm"
NO_FINDING = "no finding to decide about"
SAID_STAGE = "finding {}: {}"

# Places.
DECK_PLACE = "deck {} from {}"
TAPE_PLACE = "tape {} from {}, {} from {}"
PLACE_TITLE = "Where is the pole?"
PLACE_DECK = "deck distance"
PLACE_TAPE_1 = "tape 1"
PLACE_TAPE_2 = "tape 2"
PLACE_FROM = "from {}"
PLACE_HELP_KEYS = "type digits, Tab = next line, Enter = set, {} = set and keep, Esc = leave"
PLACE_HELP_SWITCH = "next = digit up   keep = accept   map = leave"
PLACE_BAD_TAPES = "these tape lengths do not meet inside the pool; measure again"
PLACE_NO_PLAN = "no plan of the pool yet"
PLACE_DIGIT = "digit"

# Steps.
STEP_STATUS = {
    "to do": "[ ]",
    "now": "[>]",
    "done": "[x]",
    "failed": "[!]",
    "skipped": "[-]",
}
STEP_STATUS_WORD = {"to do": "to do", "now": "NOW", "done": "done", "failed": "FAILED", "skipped": "skipped"}
NO_STEPS = "The daemon has not sent the steps of the visit yet."
WATER_CLEAR = "NOBODY IN THE WATER?"
WATER_CLEAR_LEFT = "water clear for {}"
WATER_CLEAR_OVER = "WATER CLEAR STATEMENT RAN OUT"
CONFIRM = "Confirm"

# Choices that the three left keys answer.
CHOICE_WATER = (
    "You say: nobody is in the water, nobody will go in, and you watch it. Out of the water stays everyone "
    "until the source is off."
)
CHOICE_STEP = "Step: {}. Say that it is done?"
CHOICE_FINDING = "Finding {}: {}. What now?"
CHOICE_FITTING = "Fitting {}: now {}. What is true?"
YES = "yes"
NO = "no, back"
BACK = "back"
DYE_DRAWN: Final = "dye drawn"
DYE_NOT_DRAWN: Final = "dye not drawn"
REPAIRED: Final = "repaired"
REMEASURED: Final = "re-measured"
STAGES = ("suspected", DYE_DRAWN, DYE_NOT_DRAWN, REPAIRED, REMEASURED)
STAGE_HELP = {
    "suspected": "Suspected only. Pump off, still water, dye at the spot.",
    "dye drawn": "Dye was drawn in: a leak. Repair it.",
    "dye not drawn": "Dye stayed: takes current, no leak seen.",
    "repaired": "Repaired. Wait, then read the same stations again.",
    "re-measured": "Read again after the repair.",
}

# Map.
NO_PLAN = "The daemon has not sent a plan of the pool yet."
LEGEND_HERE = "you"
LEGEND_NEXT = "next"
LEGEND = (
    ("Y", "you"),
    ("N", "next place"),
    ("→", "kept, way of current"),
    ("•", "kept, no direction"),
    ("1", "finding"),
    ("l", "fitting"),
    ("E", "injection electrode"),
)
MAP_WHERE = "where the current leaves"
MAP_WHERE_SHORT = "likely"
MAP_COVERAGE = "not yet seen"
ANSWER = "answer"
LESS_MORE = ("less", "more")
COVERAGE_OF = "{:.0f} % of the liner looked at"
COVERAGE_UNKNOWN = "coverage not computed yet"
LEAK_COUNT = "leaks: {}"
SCALE = "{} across"

# Findings.
NO_FINDINGS = "No finding yet. A finding is a suspicion until dye or a repair proves it."
FINDING_LINE = "{} {}"
FINDING_AT = "x {}, y {}, depth {}"
FINDING_TAPES = "{} from {}, {} from {}"
FINDING_RADIUS = "within {}"
FINDING_CURRENT = "takes {}"
FINDING_HOLE = "hole about {}"
FITTING_LINE = "{} ({})"
COVERED = "covered"
OPEN = "open"

# Budget.
CURRENT_BUDGET = "Current budget"
WATER_BUDGET = "Water budget"
INJECTED = "injected"
FITTINGS = "fittings"
FINDINGS = "findings"
UNEXPLAINED = "unexplained"
LOSS = "loss measured"
EXPLAINED = "explained by confirmed holes"
NOT_KNOWN = "not known"
NOTHING_KEPT = "Nothing kept yet."
PLUMBING_NOTE = "Leaks in the plumbing are not seen by this method."

# Log.
NO_EVENTS = "Nothing has happened yet."
SEVERITY = {"info": "     ", "caution": "CAUT ", "alarm": "ALARM"}
AGO_S = "{:3.0f} s"
AGO_MIN = "{:3.0f} min"
AGO_H = "{:3.0f} h"

# Alerts.
ALARM = "ALARM: {}"
CAUTION = "CAUTION: {}"

# Help.
HELP_TITLE = "Keys"
HELP_LINES = (
    ("off", "source off, at once, from everywhere"),
    ("keep", "keep this reading here; on Steps and Findings: decide"),
    ("map", "the next screen: Read, Map, coverage, Steps ..."),
    ("next", "go to the next place; on lists: next line"),
    ("place", "say where the pole is, by deck or two tapes"),
    ("screens", "Read Map Steps Findings Budget Log"),
    ("coverage", "on the map: coverage or likely places"),
    ("theme", "daylight, night, mono"),
    ("louder", "cue louder"),
    ("softer", "cue softer"),
    ("zoom", "cue zoomed in: hear a few percent"),
    ("electrode", "change the injection electrode, A or B"),
    ("help", "this help; any key closes it"),
    ("quit", "leave this screen; the daemon goes on"),
)
HELP_FOOT = "Nothing here can turn the source on."
