"""What a person enters into the record during a visit: level logs, details, what is taken back, the report's place.

All of it is for the thread that owns the visit.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated, Literal

import msgspec
from msgspec import Meta, Struct, field

from earthward.errors import InputError
from earthward.record.finding import Finding
from earthward.record.place import Station
from earthward.survey.levels import record_loss_test
from earthward.survey.locating import nothing_flows
from earthward.survey.pair import held_at
from earthward.survey.photos import photo_in
from earthward.survey.store import SurveyStore
from earthward.survey.visit import Visit

#: Spots so near to a repaired place are read again, so many of them.
NEAR_M, ENOUGH_NEAR = 2.5, 4
#: So many more where those cannot tell whether the sink is gone.
MORE_NEAR = 2
#: Findings of which the spots read again could not tell.
UNDECIDED = "undecided"
REPORT = "report_written"
_PICTURES = frozenset({".jpg", ".jpeg", ".png"})


class Details(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`details.toml` beside a survey."""

    owner: str = ""
    address: str = ""
    technician: str = ""
    notes: list[Annotated[str, Meta(min_length=1)]] = field(default_factory=list)


def enter_levels(
    visit: Visit,
    moment: Literal["before", "after"],
    path: str,
    hours: float | None,
    pool_fall_mm: float | None,
    bucket_fall_mm: float | None,
) -> str:
    """A level log from three numbers or its file (default: `levels.csv`, or `levels-after.csv`, beside the survey).

    Returns what it says; InputError where it is none."""
    if hours is not None:
        if pool_fall_mm is None or bucket_fall_mm is None:
            raise InputError("a level log needs three numbers: pool fell, bucket fell, hours between")
        pool = visit.pool
        text = (
            f"# area_m2: {abs(pool.plan_area_m2):.2f}\n# depth_m: {pool.floor.greatest_depth_m:.2f}\n"
            f"time_h,pool_below_mm,bucket_below_mm\n0,0,0\n{hours:g},{pool_fall_mm:g},{bucket_fall_mm:g}\n"
        )
        where = "the level log"
    else:
        name = "levels.csv" if moment == "before" else "levels-after.csv"
        file = Path(path) if path else visit.store.path.parent / name
        try:
            text = file.read_text(encoding="utf-8-sig")
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(f"the level log {file} cannot be read: put it there, or give three numbers") from error
        where = str(file)
    result = record_loss_test(visit.store, moment, text, where)
    visit.revision += 1
    return result.text


def read_details(store: SurveyStore) -> str:
    """Owner, address, technician and notes from `details.toml`, pictures from `photos/`. Returns what was taken."""
    folder = store.path.parent
    said: list[str] = []
    file = folder / "details.toml"
    if file.is_file():
        try:
            details = msgspec.toml.decode(file.read_bytes(), type=Details)
        except msgspec.DecodeError as error:
            raise InputError(f"{file}: {error}") from error
        for key, value in (("owner", details.owner), ("place", details.address), ("technician", details.technician)):
            if value:
                store.set_meta(key, value)
                said.append(key)
        known = {note.text for note in store.notes()}
        new = [note for note in details.notes if note not in known]
        for note in new:
            store.add_note(note)
        if new:
            said.append(f"{len(new)} note{'s' * (len(new) != 1)}")
    have = {photo.path for photo in store.photos()}
    count = 0
    photos = folder / "photos"
    for picture in sorted(photos.iterdir()) if photos.is_dir() else ():
        name = str(picture.relative_to(folder))
        if picture.suffix.lower() in _PICTURES and name not in have:
            store.add_photo(photo_in(folder, picture, picture.stem))
            count += 1
    if count:
        said.append(f"{count} picture{'s' * (count != 1)}")
    if not said:
        return f"Nothing new: no details.toml and no new pictures in photos/ beside {store.path.name}."
    return f"Taken: {', '.join(said)}."


def report_written(visit: Visit, folder: Path) -> None:
    """The report is there: the step is done, with its place as the evidence."""
    visit.store.set_meta(REPORT, str(folder))


def take_back_stage(visit: Visit, number: int) -> None:
    """A finding goes back to the stage before; what was said stays in its history, marked as taken back."""
    visit.store.take_back_stage(number)
    visit.revision += 1


def undecided(visit: Visit, number: int) -> bool:
    """The spots read again cannot tell whether a repaired finding is gone: ask for some more. False when there are none
    (any more): then it stays at that."""
    asked = visit.store.meta().get(UNDECIDED, [])
    if number not in asked:
        visit.store.set_meta(UNDECIDED, [*asked, number])
    finding = next(f for f in visit.store.findings() if f.number == number)
    return _left_to_read(visit, finding) is not None


def to_read_again(visit: Visit) -> tuple[int, Station] | None:
    """The next spot to be read again for a repaired finding: those near it, once each since the repair. Where they
    could not tell: further ones, and then the nearest with the pole put down anew."""
    for finding in visit.store.findings():
        place = _left_to_read(visit, finding)
        if place is not None:
            return finding.number, place
    return None


def _left_to_read(visit: Visit, finding: Finding) -> Station | None:
    """The next spot to be read again for one finding, if it was repaired and any is left."""
    if finding.stage != "repaired" or nothing_flows(visit.store, finding.number):
        return None
    done = {r.station for r in visit.store.readings("re-measure") if r.finding == finding.number}
    places: dict[str, Station] = {}
    for reading in visit.store.readings("survey"):
        if reading.covered_then(visit.covered) != visit.covered:
            continue
        place = held_at(reading, visit.head)
        if not place.vertical and (reading.turn in ("along", "") or reading.station not in places):
            places.setdefault(reading.station, place)
    near = sorted(
        (math.dist(place.position_m, finding.position_m), name)
        for name, place in places.items()
        if math.dist(place.position_m, finding.position_m) <= NEAR_M
    )
    more = MORE_NEAR if finding.number in visit.store.meta().get(UNDECIDED, []) else 0
    wanted = [(name, name) for _, name in near[: ENOUGH_NEAR + more]]
    missing = min(ENOUGH_NEAR, len(near)) + more - len(wanted)
    wanted += [(name, f"{name} again") for _, name in near[:missing]]
    left = next(((spot, called) for spot, called in wanted if called not in done), None)
    if left is None:
        return None
    spot, called = left
    x, y, z = places[spot].position_m
    text = f"at spot {spot} again ({x:.1f} m along, {y:.1f} m across, {z:.1f} m deep)"
    return msgspec.structs.replace(places[spot], name=called, text=text)
