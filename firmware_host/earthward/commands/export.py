"""`earthward export SURVEY --format csv|json|electrode-resistances|gpkg`: a survey in open formats, and back.

`earthward export NEW.survey --import FILE` makes a survey from an exported JSON document or a readings CSV;
`earthward export --schema` prints the JSON Schema of the document.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from earthward import __version__
from earthward.errors import InputError
from earthward.report.geopackage import write_geopackage
from earthward.report.unified import to_unified
from earthward.survey.contents import load
from earthward.survey.files.document import import_document, schema, to_text
from earthward.survey.files.readings import import_readings, parse_readings, read_text
from earthward.survey.files.tables import write_tables
from earthward.survey.files.whole import write_whole
from earthward.survey.store import SurveyStore

SUMMARY = "a survey in open formats"
ENDINGS = {"csv": "-tables", "json": ".json", "electrode-resistances": ".ohm", "gpkg": ".gpkg"}
#: Earlier names, which scripts may still use.
EARLIER = {"unified": "electrode-resistances"}


def _named(name: str) -> str:
    return EARLIER.get(name, name)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("survey", metavar="SURVEY", nargs="?", help="the survey file")
    parser.add_argument("--format", type=_named, choices=sorted(ENDINGS), help="what to write")
    parser.add_argument("--out", metavar="PATH", help="file (csv: folder) to write; default beside the survey")
    parser.add_argument(
        "--import", dest="source", metavar="FILE",
        help="the other way: fill SURVEY from FILE (exported JSON, or readings CSV with --pool for a new survey)",
    )  # fmt: skip
    parser.add_argument("--pool", metavar="POOL.toml", help="pool file for a survey made from a readings CSV")
    parser.add_argument("--emulated", action="store_true", help="mark the survey made by --import as emulated")
    parser.add_argument("--schema", action="store_true", help="print the JSON Schema of the JSON document")
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout")


def run(args: argparse.Namespace) -> int:
    if args.schema:
        print(json.dumps(schema(), indent=1))
        return 0
    if args.survey is None:
        raise InputError("say which survey file is meant")
    if (args.format is None) == (args.source is None):
        raise InputError("give either --format csv|json|electrode-resistances|gpkg or --import FILE")
    return _import(args) if args.source else _export(args)


def _export(args: argparse.Namespace) -> int:
    path = Path(args.survey)
    with SurveyStore.open(path, read_only=True) as store:
        record = load(store)
        tell_damage(store)
    target = Path(args.out) if args.out else path.with_name(path.stem + ENDINGS[args.format])
    if target.exists() and target.samefile(path):
        raise InputError(f"{target} is the survey itself: choose another name with --out")
    written = [target]
    if args.format == "csv":
        written = write_tables(record, target)
    elif args.format == "json":
        write_whole(target, to_text(record))
    elif args.format == "electrode-resistances":
        write_whole(target, to_unified(record))
    else:
        write_geopackage(record, target)
    if args.json:
        print(json.dumps({"written": [str(p) for p in written], "readings": len(record.readings)}))
    else:
        for each in written:
            print(each)
    return 0


def tell_damage(store: SurveyStore) -> None:
    """What could not be read and is therefore missing in what is written."""
    for sentence in store.damaged:
        print(f"earthward: {sentence}", file=sys.stderr)


def _import(args: argparse.Namespace) -> int:
    source, target = Path(args.source), Path(args.survey)
    text = read_text(source, "an exported JSON document or a readings CSV")
    if source.suffix.lower() == ".json":
        store = import_document(text, str(source), target)
        count = len(store.readings(withdrawn=True))
    else:
        readings = parse_readings(text, str(source))
        if target.exists():
            store = SurveyStore.open(target)
        elif args.pool:
            pool = read_text(Path(args.pool), "a pool file")
            store = SurveyStore.create(
                target, name=source.stem, pool_toml=pool, emulated=args.emulated, software=f"earthward {__version__}"
            )
        else:
            raise InputError(f"{target} is a new survey: give its pool with --pool POOL.toml")
        count = import_readings(store, readings)
    store.close()
    if args.json:
        print(json.dumps({"survey": str(target), "readings": count}))
    else:
        print(f"{target}: {count} readings taken in")
    return 0
