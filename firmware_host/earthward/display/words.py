"""Every word that the screens show, in one place, so that they can be read together and translated.

Names of the pole's ends, of fittings and places come from the daemon. Words of the trade as in the glossary.
"""

from __future__ import annotations

from typing import Final

EMULATED = "EMULATED"
NO_DAEMON = "NO CONTACT WITH INSTRUMENT"
NO_DAEMON_SHORT = "NO CONTACT"
WAITING = "waiting for the daemon"
READ_ONLY = "read-only"

OPERATOR = "the person at the display"

# The interlock's states: each a different word, so that nothing hangs on a colour.
INTERLOCK = {
    "off": "source off",
    "checking": "checking",
    "ready": "ready",
    "energised": "■ENERGISED",
    "tripped": "TRIPPED",
}

TOWARD = "TOWARD {}"
NO_DIRECTION = "NO CLEAR DIRECTION"
OFF_AXIS_LEFT = "{:.0f}° LEFT OF {}"
OFF_AXIS_RIGHT = "{:.0f}° RIGHT OF {}"
SIDE_MARK = {"front": "→", "back": "←", "none": "≈"}
NO_READING_SHORT = "no reading"
BELOW_BAND = "too weak to tell"
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
MISSING = "not as it must be:"
MORE_MISSING = "+ {} more: see Steps"
ALL_PERMISSIVES = "all checks passed"
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
NEXT_PLACE = "next {}"
NEXT_TAPES = "tapes: {} from {}, {} from {}"
STATIONS_KEPT = "{} kept"
LOST_LINES = "{} readings left out"

# The four keys.
KEEP = "keep"
MAP = "map"
NEXT = "next"
OFF = "OFF"
USUAL_KEYS = {"keep": "do", "map": "page", "next": "here"}
DO_KEY = "do"
CONFIRM_KEY = "confirm"
DECIDE_KEY = "decide"
ACCEPT_KEY = "accept"
DIGIT_KEY = "digit"
OLDER_KEY = "older"
HELP_KEY = "help"

# Messages after a press.
SAID_OFF = "SOURCE OFF sent"
SAID_OFF_UNSENT = "NOT CONNECTED: USE THE EMERGENCY STOP"
KEPT = "kept {} at {}"
REFUSED = "not done: {}"
NOT_SENT = "not sent: no connection to the daemon"
NO_NEXT = "no place to go to: no plan of the pool yet"
MOVED = "at {}"
POLE_AT_EDGE = "the pole cannot be held there: wall, floor or surface"
SAID_VOLUME = "cue volume {:.0f} %"
SAID_ZOOM = {True: "cue zoomed: a few percent are heard", False: "cue over its whole range"}
SAID_STEP = "{}: said to the daemon"
STEP_ALREADY = "that step is done"
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
PLACE_DEPTH = "Depth by the head's sensor: {} +- {}"
PLACE_HELP_KEYS = "type digits, Tab = next line, Enter or {} = accept, Esc = leave"
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
    "repaired": "Repaired. Wait, then read the same spots again.",
    "re-measured": "Read again after the repair.",
}

# Map.
NO_PLAN = "The daemon has not sent a plan of the pool yet."
LEGEND_HERE = "you"
LEGEND_NEXT = "next"
LEGEND_THEN = "then"
LEGEND = (
    ("@", "you"),
    ("X", "next place"),
    ("x", "the two after it"),
    ("→", "kept, way of current"),
    ("•", "kept, no direction"),
    ("1", "place found"),
    ("?", "only suspected"),
    ("l", "fitting"),
    ("±", "injection electrode"),
)
MARK_GLYPHS = ("▲", "▼")
MAP_WHERE = "where the current leaves"
MAP_WHERE_SHORT = "likely"
MAP_COVERAGE = "leak still possible here"
MAP_COVERAGE_SHORT = "possible"
ANSWER = "answer"
LESS_MORE = ("less", "more")
COVERAGE_OF = "{:.0f} % excluded"
COVERAGE_UNKNOWN = "nothing excluded yet"
LEAKS_UNKNOWN = "not searched yet"
LEAK_COUNT = "leaks: {}"
SCALE = "{} across"

# Findings.
NO_FINDINGS = "No finding yet. A finding is a suspicion until dye or a repair proves it."
UNNUMBERED = "?"
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
EXPLAINED_SHORT = "explained"
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
    ("keep", "do what the last line says; on lists: the line"),
    ("next", "the pole is at the proposed place: read it"),
    ("map", "the next page"),
    ("undo", "take the last action back"),
    ("place", "say where the pole is, by deck or two tapes"),
    ("pages", "straight to a page; F7: everything else"),
    ("coverage", "on the map: what is excluded, or likely places"),
    ("theme", "daylight, night, mono"),
    ("louder", "cue louder"),
    ("softer", "cue softer"),
    ("zoom", "cue zoomed in: hear a few percent"),
    ("electrode", "change the injection electrode by hand"),
    ("hand", "emulated bench: hold or let go of the enable"),
    ("pause", "emulated bench: time stands still, goes on"),
    ("help", "more help; any other key closes it"),
    ("quit", "leave this screen; the instrument goes on"),
)
HELP_NAMES = {"pages": "F1-F7"}
HELP_MORE = "page {} of {}; the same key turns it"
HELP_FOOT = "Nothing here can turn the source on."

# What to press now.
NOW_NO_DAEMON = "No key works now. The emergency stop does."
NOW_STARTING = "Wait: the instrument is starting."
NOW_TRIPPED = "Let go of the enable; then RESET on the source board (no key can)."
NOW_TRIPPED_HAND = "let go of the enable, press the board's RESET"
NOW_PAUSED = "EMULATED time stands still; the same key goes on"
NOW_WARNING = "Out of the water: the source comes on in {:.0f} s."
NOW_HOLD_ENABLE = "Hold the enable at the pool side. No key can."
NOW_HOLD_ENABLE_HAND = "hold the enable"
NOW_CHECKING = "Keep holding: checks run, then a warning of three seconds."
NOW_WAITING = "Wait: {}"
NOW_WATER = "look at the whole pool; nobody in the water? Say so"
NOW_UNSAFE = "Keep out of the water. Nothing more today: call a licensed electrician."
NOW_LOSS = "enter the level log (or skip it)"
NOW_TEST_LEAK = (
    "test leak {} ahead of the front end, NOT joined: read 1 of 3",
    "JOIN the test leak to earth, read 2 of 3",
    "part the test leak again, read 3 of 3",
)
NOW_GO = "when the pole is {}"
NOW_AGAIN = "read again after the repair: when the pole is {}"
NOW_SPOT_DONE = "spot done, next: "
NOW_TURN = "when turned: {1} ({0})"
NOW_HOLD = "{} {}{}: {}"
NOW_STRAY = "stray check, pair held {}: measure ({} of 3)"
STRAY_HOW = ("along the pool", "across", "along again, turned END FOR END")
NOW_STRAY_HOLD = "Hold still: stray check {} of 3 takes two seconds."
NOW_DOUBT = "only if the pole is in the water, keep all the same ({})"
TURN_NAMES = {"along": "as said", "across": "across", "upright": "upright"}
TURN_HOW = {
    "along": "as the place says",
    "across": "ACROSS, a quarter turn left",
    "upright": "UPRIGHT, {} down",
}
NOW_LET_GO = "Let go of the enable: {}"
NOW_LET_GO_HAND = "let go of the enable: {}"
NOW_OFF_FOR_DYE = "place {} found, dye comes next"
NOW_SURVEY_DONE = "nothing more needs reading"
NOW_OFF_FOR_COVER = "{} takes most of the current: cover it next"
NOW_COVER = "cover or plug {}, then say so"
CHOICE_COVER = "{} takes {:.0f} % of the current and hides what is near it. Covered or plugged now?"
COVERED_NOW = "covered"
CANNOT_COVER = "cannot be covered"
SAID_COVERED = "{}: covered"
SAID_CANNOT_COVER = "{}: cannot be covered, said by hand"
NOW_DYE = "dye at finding {}: say whether it was drawn in"
NOW_REPAIR = "finding {}: repair it, then say so"
NOW_COMPARE = "finding {}: compare before and after the repair"
NOW_REPORT = "write the report"
NOW_BUSY = "Wait: {}."
NOW_SAVED = "Done. All is saved in {}"
NOW_HELP = "Any key closes the help."
NOW_ANSWER = "Answer with one of the keys above."
NOW_ENTRY = "Give the number, then accept."
NOW_BACK = "to Read, there: "
NOW_HERE = "{} the chosen line"
SHOWN_IS_OLD = "What this page shows was known before contact was lost."
SPOT_SOURCE_OFF = "a spot is read with the source on"
SPOT_RUNNING = "this spot is being read; hold still"
NOTHING_TO_UNDO = "nothing to take back"
SAID_UNDO = "taking back: {}"
SAID_HAND = {"hold": "enable held", "let go": "enable let go", "pause": "paused", "go on": "goes on"}
SAID_WATER = "said: nobody in the water"
SAID_LEVELS = "level log handed over"
SAID_DETAILS = "reading details.toml and photos"
SAID_REPORT = "report asked for"
SKIPPED = "skipped by hand"
CHOICE_LEVELS = "Level log: file levels.csv beside the survey, or how far both fell."
LEVELS_FILE = "take the file"
LEVELS_TYPE = "give three numbers"
LEVELS_SKIP = "skip (the report says so)"
LEVELS_TITLE = "How far did the water fall?"
LEVELS_POOL = "pool fell"
LEVELS_BUCKET = "bucket fell"
LEVELS_HOURS = "hours between"
LEVELS_BAD = "three numbers are needed: pool fell, bucket fell, hours between"

# Do.
DO_UNDO = "take back: {}"
DO_NOTHING = "nothing"
DO_SKIP_TURN = "skip this direction of the spot"
DO_NO_SPOT = "no spot is being read"
DO_AUTO = {True: "keep by hand from now on", False: "keep by itself when steady"}
DO_ZOOM = {False: "ear: zoom in", True: "ear: whole range"}
DO_ELECTRODE = "injection electrode {}"
DO_NO_ELECTRODE = "needs the source on and two electrodes"
DO_LEVELS_AFTER = "level log after the repair"
DO_DETAILS = "owner, address, photos from files"
DO_AT_WALL = "head sensor: square to the wall"
DO_PLUMB = "head sensor: pole is plumb"
DO_SURFACE = "depth sensor: head at the surface"
SAID_SURFACE = "taken: depth counts from here"
SAID_AT_WALL = "taken: bearings count from here"
SAID_PLUMB = "taken: this is plumb"
DO_TAIL = "keep the last 60 s of samples"
DO_REPORT = "write the report"
DO_SOURCE_ON = "source off first: let go of the enable"
DO_SKIP_STEP = "skip: {}"
CHOICE_SKIP = "Step: {}. Skip it? Record and report will say that it was skipped by hand."
DO_DYE_HAND = "EMULATED: let dye go at the finding"
TENTATIVE = "only suspected: read more spots near it first"
