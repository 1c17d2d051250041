"""A concept of the record is defined once: in `earthward.record`. This test reads the code and finds second ones."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

PACKAGE = Path(__file__).parents[2] / "firmware_host" / "earthward"

#: So many fields in common make two classes one concept, if they are most of the smaller one's fields.
FEWEST_SHARED = 4
SHARE = 0.7

#: (module, class) -> why it is another concept although its name or its fields look alike.
ALLOWED: dict[tuple[str, str], str] = {
    ("daemon.protocol", "Keep"): "a client's wish to keep; the reading that comes of it is the record's",
    ("daemon.protocol", "AddPhoto"): "a client's wish, with the picture's place on the client's side",
    (
        "pool.pool_tables",
        "FittingTable",
    ): "a table of the pool file as it is written; the reader makes the record's of it",
    ("daemon.protocol", "Note"): "a client's wish, without a time: the daemon's clock gives it",
}


@dataclass(frozen=True)
class Defined:
    module: str
    name: str
    fields: frozenset[str]


def classes(module: str, text: str) -> Iterator[Defined]:
    """Every class with the fields that are annotated in its body (of dataclasses, Structs, named tuples)."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.ClassDef):
            names = [n.target.id for n in node.body if isinstance(n, ast.AnnAssign) and isinstance(n.target, ast.Name)]
            yield Defined(module, node.name, frozenset(n for n in names if not n.startswith("_")))


@cache
def package() -> list[Defined]:
    found: list[Defined] = []
    for path in sorted(PACKAGE.rglob("*.py")):
        module = ".".join(path.relative_to(PACKAGE).with_suffix("").parts)
        found += classes(module, path.read_text(encoding="utf-8"))
    return found


def second_definitions(defined: list[Defined]) -> list[str]:
    """A sentence for each class outside the record that defines one of its concepts again."""
    record = [d for d in defined if d.module.startswith("record.") and d.name != "Record"]
    out = []
    for other in defined:
        if other.module.startswith("record.") or (other.module, other.name) in ALLOWED:
            continue
        for concept in record:
            shared = len(other.fields & concept.fields)
            least = max(FEWEST_SHARED, SHARE * min(len(other.fields), len(concept.fields)))
            if other.name == concept.name or (shared >= least):
                out.append(f"{other.module}.{other.name} defines {concept.module}.{concept.name} again")
    return out


def test_each_concept_of_the_record_is_defined_once() -> None:
    assert second_definitions(package()) == []


def test_no_allowance_outlives_its_reason() -> None:
    there = {(d.module, d.name) for d in package()}
    assert [key for key in ALLOWED if key not in there] == []


def test_the_check_bites() -> None:
    same_name = list(classes("daemon.x", "class Finding:\n    a: int\n"))
    same_fields = list(
        classes(
            "report.x",
            "class Row:\n    front_m: P\n    back_m: P\n    value_V: float\n    sigma_V: float\n    station: str\n",
        )
    )
    other = list(classes("signal.x", "class Lock:\n    value_V: float\n    sigma_V: float\n    delay_s: float\n"))
    told = second_definitions([*package(), *same_name, *same_fields, *other])
    assert "daemon.x.Finding defines record.finding.Finding again" in told
    assert "report.x.Row defines record.reading.KeptReading again" in told
    assert not [t for t in told if "signal.x" in t]
