"""Read: which way, how strong, how sure; whether the source is on and the instrument well. Complete at 40 x 13."""

from __future__ import annotations

import math
from typing import Any

from earthward import units
from earthward.daemon.protocol import State
from earthward.display import figures, words
from earthward.display.canvas import Canvas, Run, length, wrapped
from earthward.display.figures import FACE_5, FACE_7, FACE_10, Face
from earthward.display.meaning import BAND_SIGMA, Meaning, direction_words
from earthward.display.page import Page, Scene
from earthward.display.snapshot import TREND_S, Snapshot


def face_for(width: int, rows: int) -> Face:
    """The largest digits that leave room for the rest."""
    if width >= 90 and rows >= 24:
        return FACE_10
    if width >= 53 and rows >= 15:
        return FACE_7
    return FACE_5


def paint(canvas: Canvas, top: int, rows: int, scene: Scene) -> None:
    """Write the body on rows top .. top+rows-1."""
    snapshot, now_s, now, shown = scene.snapshot, scene.now_s, scene.meaning, scene.shown
    state = snapshot.state if snapshot.connected else None
    if state is not None and state.interlock.state != "energised":
        source_panel(canvas, top, rows, state)
        return
    if state is None:
        # Nothing old beside words that say so: no bar, no curve, no "link ok".
        _blank(canvas, top, min(rows, 8), now)
        return
    face = face_for(canvas.width, rows)
    spare = rows - (face.rows + 5)
    # From most to least needed beyond direction, digits, value, bar, ends: health, second health, trend, air.
    health = 1 if spare >= 0 else 0
    if spare < -1:
        face, health = FACE_5, 1 if rows >= 10 else 0
        spare = rows - (face.rows + 5)
    details = 1 if spare >= 3 else 0
    trend = min(15, spare - details - (3 if spare >= 9 else 1)) if spare - details >= 4 else 0
    trend -= 1 - trend % 2 if trend else 0
    air = max(0, spare - details - (trend + 1 if trend else 0))
    y = top
    _direction(canvas, y, now, state)
    y += 1 + (1 if air >= 2 else 0)
    if now.blank:
        _blank(canvas, y, face.rows, now)
    else:
        _figure(canvas, y, now, shown if shown is not None and not shown.blank else now, face)
    y += face.rows + (1 if air >= 1 else 0)
    _value(canvas, y, now)
    y += 1
    scale = _scale(snapshot, now_s, scene.memo)
    _bar(canvas, y, now, scale)
    y += 1
    if rows >= face.rows + 4:
        _ends(canvas, y, state, scale)
        y += 1
    if trend:
        y += 1 if air >= 3 else 0
        _trend(canvas, y, trend, snapshot, scale, now_s, scene.memo)
        y += trend + 1
    if details:
        _details(canvas, y, now, state, snapshot)
        y += 1
    if health:
        _health(canvas, y, state)


def _names(state: State | None) -> tuple[str, str]:
    return (state.pair.front, state.pair.back) if state else ("one ring", "two rings")


def _direction(canvas: Canvas, y: int, now: Meaning, state: State | None) -> None:
    if now.blank:
        return
    said = direction_words(now, *_names(state))
    mark = words.SIDE_MARK[now.side] + " "
    if now.off_axis_deg is not None:
        mark = ""
    left: list[Run] = [(mark + said, now.side)]
    for text in _steady_words(now):
        right: list[Run] = [(text, "strong" if not now.steady else "base")]
        if length(left) + length(right) < canvas.width:
            canvas.put(y, left, right)
            return
    canvas.put(y, left)


def _steady_words(now: Meaning) -> tuple[str, ...]:
    if now.steady:
        first = words.BELOW_BAND if now.side == "none" else words.STEADY
        return (f"{first}, {now.why}" if now.why else first, first, "")
    return (words.UNSTEADY.format(now.why), words.UNSTEADY.format("").rstrip(": "), "")


def _figure(canvas: Canvas, y: int, now: Meaning, shown: Meaning, face: Face) -> None:
    """Arrow and digits side by side; the unit stands beside the last row of the digits."""
    rows = face.rows
    if now.side == "none":
        arrow = figures.no_arrow(rows)
    elif now.off_axis_deg is not None:
        arrow = figures.compass(now.angle_deg, rows)
    else:
        arrow = figures.arrow(now.angle_deg, rows)
    text = shown.number.rjust(4 if "." in shown.number else 3)
    cells = figures.digits(text, face)
    full = figures.digits_width(face)
    gap = 3 if canvas.width < 53 else 4
    total = 2 * rows + gap + full + 4
    pad = max(0, (canvas.width - total) // 2)
    for r in range(rows):
        runs: list[Run] = [(" " * pad, "base"), (arrow[r], now.side), (" " * gap, "base")]
        runs.append((cells[r].rjust(full), now.side if now.side != "none" else "strong"))
        if r == rows - 1:
            runs.append((" " + shown.unit, "strong"))
        canvas.put(y + r, runs)


def _blank(canvas: Canvas, y: int, rows: int, now: Meaning) -> None:
    """In place of the figure: why there is none."""
    canvas.put(y + (1 if rows >= 5 else 0), [(" " + now.blank, "caution")], role="caution")
    canvas.paragraph(y + 3, rows - 3, now.help, indent=1)


def _value(canvas: Canvas, y: int, now: Meaning) -> None:
    if now.blank or now.value_V is None:
        return
    sign = {"front": "+", "back": "-", "none": "±" if now.off_axis_deg is None else ""}[now.side]
    if now.off_axis_deg is not None:
        sign = ""
    left: list[Run] = [(f"{sign}{now.number} {now.unit}  {words.BAND.format(now.band)}", "strong")]
    right: list[Run] = []
    reading = now.reading
    if reading is not None and reading.window_s and canvas.width >= 53:
        right = [(words.WINDOW.format(reading.window_s), "base")]
    canvas.put(y, left, right)


def _scale(snapshot: Snapshot, now_s: float, memo: dict[Any, Any]) -> float:
    """Full scale of bar and trend: a round number above everything of the last 20 s, so that it does not hunt."""
    newest = abs(snapshot.trend[-1].value_V) if snapshot.trend else 0.0
    half_second, peak = memo.get("peak", (None, 0.0))
    if half_second != math.floor(now_s * 2):
        peak = max((abs(p.value_V) for p in snapshot.trend), default=0.0)
        memo["peak"] = (math.floor(now_s * 2), peak)
    return figures.full_scale(max(peak, newest))


def bar_text(now: Meaning, scale_V: float, width: int) -> str:
    """The centre-zero bar of a meaning. With a crossed pair it shows the part along the front axis."""
    if now.blank or now.reading is None or now.reading.value_V is None or now.reading.sigma_V is None:
        return "─" * (width // 2) + "│" + "─" * (width - width // 2 - 1)
    value, sigma = now.reading.value_V, now.reading.sigma_V
    # A value that claims no direction shows its band only: the band is drawn over zero.
    band = max(BAND_SIGMA * sigma, abs(value)) if now.side == "none" else BAND_SIGMA * sigma
    if now.side == "none":
        value = 0.0
    return figures.bar_cells(round(value / scale_V, 3), round(band / scale_V, 3), width)


def _bar(canvas: Canvas, y: int, now: Meaning, scale: float) -> None:
    width = canvas.width if canvas.width % 2 else canvas.width - 1
    canvas.put(y, [(bar_text(now, scale, width), now.side if now.side != "none" else "base")])


def _ends(canvas: Canvas, y: int, state: State | None, scale: float) -> None:
    front, back = _names(state)
    left: list[Run] = [(f"← {back}", "base")]
    right: list[Run] = [(f"{front} →", "base")]
    middle = words.FULL_SCALE.format(units.voltage(scale))
    space = canvas.width - length(left) - length(right)
    if space >= len(middle) + 2:
        # Centred under the zero of the bar.
        before = max(1, canvas.width // 2 - len(middle) // 2 - length(left))
        after = space - before - len(middle)
        if after >= 1:
            left += [(" " * before + middle, "base")]
    canvas.put(y, left, right)


def _trend(
    canvas: Canvas, y: int, rows: int, snapshot: Snapshot, scale: float, now_s: float, memo: dict[Any, Any]
) -> None:
    """The last 20 s. Moves once a second: a curve that creeps at every reading costs much and tells nothing more."""
    canvas.put(y, [(words.TREND.format(units.voltage(scale)), "base")])
    now_s = float(math.floor(now_s))
    key = (now_s, scale, rows, canvas.width, canvas.tier)
    if memo.get("trend key") != key:
        # No more points than the curve has columns.
        columns = canvas.width * (2 if canvas.tier == "braille" else 1)
        step = max(1, len(snapshot.trend) // columns)
        points = [
            (1 - (now_s - p.t_s) / TREND_S, p.value_V / scale)
            for p in snapshot.trend[::step]
            if 0 <= now_s - p.t_s < TREND_S
        ]
        memo["trend key"] = key
        memo["trend"] = figures.trend_cells(points, canvas.width, rows, canvas.tier == "braille")
    for r, line in enumerate(memo["trend"]):
        canvas.put(y + 1 + r, [(line, "base")])


def _details(canvas: Canvas, y: int, now: Meaning, state: State | None, snapshot: Snapshot) -> None:
    parts: list[str] = []
    if snapshot.lost:
        parts.append(words.LOST_LINES.format(snapshot.lost))
    if now.reading is not None and not now.blank:
        reading = now.reading
        if reading.gradient_V_per_m is not None:
            parts.append(units.engineering(abs(reading.gradient_V_per_m), "V/m"))
        if reading.transfer_ohm is not None and math.isfinite(reading.transfer_ohm):
            parts.append(units.engineering(abs(reading.transfer_ohm), "ohm", smallest=1e-3))
    if state is not None:
        if state.source.battery_V is not None and canvas.width < 60:
            parts.insert(0, words.BATTERY.format(state.source.battery_V))
        parts.append(words.STATIONS_KEPT.format(state.stations))
        if state.recording.ok:
            parts.append(words.RECORDING)
        if state.adc.mains_V is not None and state.adc.mains_Hz is not None:
            parts.append(words.MAINS.format(units.voltage(state.adc.mains_V), state.adc.mains_Hz))
        if state.link.round_trip_s is not None:
            parts.append(words.ROUND_TRIP.format(state.link.round_trip_s * 1e3))
    canvas.put(y, [(_joined(parts, canvas.width), "base")])


def _health(canvas: Canvas, y: int, state: State | None) -> None:
    """Input, saturation, samples, link: short words; what is wrong is told in the message rows."""
    if state is None:
        return
    adc, link = state.adc, state.link
    runs: list[Run] = []
    if adc.saturated:
        runs.append((words.INPUT_SATURATED, "caution"))
    elif adc.ok:
        runs.append((words.INPUT_OK, "good"))
    else:
        runs.append((words.INPUT_BAD.format("bad"), "caution"))
    numbers = []
    if adc.rate_Hz is not None:
        numbers.append(words.SAMPLES_PER_S.format(adc.rate_Hz))
    numbers.append(words.LOST_PERCENT.format(adc.lost_fraction * 100))
    if adc.full_scale_V is not None and canvas.width >= 53:
        numbers.append(words.RANGE.format(units.voltage(adc.full_scale_V)))
    tail: Run = (words.LINK_OK, "good") if link.ok else (words.LINK_BAD.format("bad"), "caution")
    room = canvas.width - length(runs) - len(tail[0]) - 2
    runs.append(("  " + _joined(numbers, room - 2), "base"))
    canvas.put(y, runs, [tail])


def _joined(parts: list[str], width: int) -> str:
    """As many parts as fit, in their order of weight."""
    text = ""
    for part in parts:
        longer = f"{text}  {part}" if text else part
        if len(longer) > width:
            break
        text = longer
    return text


def source_panel(canvas: Canvas, top: int, rows: int, state: State) -> None:
    """While the source is not energised no number is shown, but what the source is doing and what it waits for."""
    lock = state.interlock
    y, end = top, top + rows
    if lock.state == "tripped":
        cause = lock.trip.cause if lock.trip else lock.text
        remedy = lock.trip.remedy if lock.trip else ""
        y += canvas.paragraph(y, max(1, rows - 3), words.SOURCE_TRIPPED + cause, "alarm", indent=1, fill=True)
        if remedy and y < end:
            y += 1 if end - y > 4 else 0
            y += canvas.paragraph(y, end - y, words.REMEDY + remedy, "strong", indent=1)
    elif lock.warning_s > 0:
        y += canvas.paragraph(y, 2, words.SOURCE_WARNING.format(lock.warning_s), "caution", indent=1, fill=True)
    elif lock.state == "ready":
        y += canvas.paragraph(y, 2, words.SOURCE_READY, "caution", indent=1, fill=True)
    elif lock.state == "checking":
        y += canvas.paragraph(y, 2, words.SOURCE_CHECKING, "title", indent=1, fill=True)
    else:
        y += canvas.paragraph(y, 1, words.SOURCE_OFF, "title", indent=1, fill=True)
    missing = [p for p in lock.permissives if not p.ok]
    # What the list below begins with need not be said before it.
    listed = any(lock.text.startswith(p.text) for p in missing)
    if lock.text and not listed and lock.state != "tripped" and y < end:
        y += canvas.paragraph(y, min(2, end - y), lock.text, indent=1)
    if end - y >= 2 and missing:
        canvas.put(y, [(" " + words.MISSING, "strong")])
        y += 1
        for i, permissive in enumerate(missing):
            need = len(wrapped(permissive.text, canvas.width - 3))
            last_row = end - y - (1 if i + 1 < len(missing) else 0)
            if need > last_row:
                canvas.put(y, [(" " + words.MORE_MISSING.format(len(missing) - i), "base")])
                y += 1
                break
            for k, line in enumerate(wrapped(permissive.text, canvas.width - 3)):
                canvas.put(y, [((" • " if k == 0 else "   ") + line, "base")])
                y += 1
    elif lock.state == "ready" and y < end:
        canvas.put(y, [(" " + words.ALL_PERMISSIVES, "base")])


PAGE = Page("read", "Read", order=10, paint=paint, shortcut="f1")
