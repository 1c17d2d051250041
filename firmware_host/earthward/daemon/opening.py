"""Which survey the daemon works on: the one that is named, today's if it is not finished, or a new one."""

from __future__ import annotations

import logging
from collections.abc import Callable
from pathlib import Path

from earthward.clock import utc_offset_s
from earthward.config import Config
from earthward.daemon.recorder import new_folder
from earthward.errors import InputError
from earthward.inversion.types import LocateSettings
from earthward.pool.pool_file import parse_pool
from earthward.survey.store import SurveyStore
from earthward.survey.visit import MARKED_STEPS, Visit

log = logging.getLogger(__name__)

#: A survey begun so long ago belongs to another day.
SAME_DAY_S = 16 * 3600.0


def open_visit(
    config: Config, survey: str | None, pool: str, wall_s: Callable[[], float], begin_new: bool = False
) -> Visit | None:
    """The visit to work on, None without a pool. Raises InputError."""
    spacing_m = config.pair.spacing_m
    settings = LocateSettings(head=config.head)
    if survey and Path(survey).exists():
        if begin_new:
            raise InputError(f"{survey} exists already: leave out --new to go on with it, or name another file")
        return Visit(SurveyStore.open(survey), spacing_m, wall_s, settings)
    if not pool:
        if survey:
            raise InputError(f"survey {survey} does not exist: give --pool POOL.toml to begin it, or another file")
        return None
    try:
        text = Path(pool).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"pool file {pool} cannot be read ({error}); give the path of a TOML file") from error
    surveys = Path(config.service.data_dir) / "surveys"
    if survey is None and not begin_new:
        going_on = unfinished(surveys, text, wall_s())
        if going_on is not None:
            log.info("going on with the survey %s", going_on)
            return Visit(SurveyStore.open(going_on), spacing_m, wall_s, settings)
    target = Path(survey) if survey else new_folder(surveys) / "survey.db"
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{target.parent} cannot be made ({error.strerror}); choose another folder") from error
    store = SurveyStore.create(
        target, name=Path(pool).stem, pool_toml=text, emulated=False, units=config.units,
        utc_offset_s=utc_offset_s(wall_s()),
    )  # fmt: skip
    return Visit(store, spacing_m, wall_s, settings)


def unfinished(surveys: Path, pool_toml: str, now_s: float) -> Path | None:
    """The newest survey of this pool, if it was begun today and its report is not written.

    Newest by its folder's number. One that seems begun in the future was begun before the clock stepped back.
    """
    pool = parse_pool(pool_toml)
    for path in sorted(surveys.glob("*/survey.db"), reverse=True):
        try:
            with SurveyStore.open(path, read_only=True) as store:
                same = parse_pool(store.pool_toml())
                meta = store.meta()
        except InputError as error:
            log.warning("%s", error)
            continue
        if (same.name, same.outline_m, same.floor) != (pool.name, pool.outline_m, pool.floor):
            continue
        today = now_s - float(meta["created_s"]) < SAME_DAY_S
        return path if today and "report" not in meta.get(MARKED_STEPS, {}) else None
    return None
