"""The report: it says what was measured and nothing else, opens offline, and fits the paper."""

from __future__ import annotations

import importlib.util
import json
import re
import shutil
import subprocess
import xml.etree.ElementTree as ET
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from msgspec import structs

from earthward.cli import main
from earthward.record.finding import Finding
from earthward.record.place import Fitting
from earthward.record.reading import KeptReading
from earthward.record.visit import CurrentStep, LossTest, Photo, SafetyCheck, SensitivityTest
from earthward.report import pdf
from earthward.report.blocks import Bullets, Document, Figure, KeyFigures, Paragraph, Table
from earthward.report.build import build_report, pictures_of
from earthward.report.charts import IntervalRow, Series, intervals, lines, nice_ticks
from earthward.report.content import build
from earthward.report.html import to_html
from earthward.report.part_record import readings
from earthward.report.pdf import to_pdf, to_typst
from earthward.report.plan_figures import station_vectors
from earthward.report.words import water_budget
from earthward.survey.contents import Contents, load
from earthward.survey.store import SurveyStore

pytestmark = pytest.mark.long

ROOT = Path(__file__).parents[2]
PNG = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010802000000907753de0000000c49444154789c63606060000000040001f6173855"
    "0000000049454e44ae426082"
)


def scenario() -> Any:
    path = ROOT / "tests" / "support" / "invented_survey.py"
    spec = importlib.util.spec_from_file_location("invented_survey_for_report", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


LOCATION = {
    "findings": [{"position_m": [6.3, 4.5, 0.98], "current_A": 8.3e-4, "current_interval_A": [6.9e-4, 9.8e-4]}],
    "budget": {
        "injected_A": 0.009,
        "fittings": [{"name": "light", "current_A": 0.0042, "interval_A": [0.0038, 0.0046]}],
        "findings_A": 8.3e-4,
        "unexplained_A": 4e-4,
        "unexplained_interval_A": [0.0, 9e-4],
        "text": "most of it is accounted for",
    },
    "coverage": {
        "text": "eighty per cent",
        "cells": [
            {"position_m": [0.1 + 0.2 * i, y, z], "size_m": 0.2, "detectable_A": (None, 1e-4, 5e-4)[i % 3]}
            for i in range(40)
            for y, z in ((2.0, 1.4), (0.0, 0.5))
        ],
    },
}


@pytest.fixture(scope="module")
def survey(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("survey") / "heron.survey"
    store = scenario().make_survey(path, locate=False)
    store.add_location(LOCATION)
    (path.parent / "tear.png").write_bytes(PNG)
    store.add_photo(Photo(path="tear.png", caption="the slit before the patch", finding=1))
    store.add_photo(Photo(path="lost.jpg", caption="not here"))
    store.add_event("alarm", "trip", "the output went off: <enable released>", "press & reset at the pool side")
    store.close()
    return path


@pytest.fixture(scope="module")
def record(survey: Path) -> Contents:
    with SurveyStore.open(survey, read_only=True) as store:
        return load(store)


class Words(HTMLParser):
    """Text of a page, and every address it points to."""

    def __init__(self) -> None:
        super().__init__()
        self.text: list[str] = []
        self.addresses: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in ("meta", "link", "img", "br"):
            self.open.append(tag)
        self.addresses += [v or "" for k, v in attrs if k in ("src", "href", "xlink:href")]
        assert tag not in ("script", "link", "iframe", "object")

    def handle_endtag(self, tag: str) -> None:
        if tag in self.open:
            while self.open.pop() != tag:
                pass

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.text.append(data)


def page(document: Document) -> tuple[str, Words]:
    html = to_html(document)
    words = Words()
    words.feed(html)
    return re.sub(r"\s+", " ", " ".join(words.text)), words


def test_page_one_tells_the_owner_the_outcome(record: Contents) -> None:
    text, _ = page(build(record))
    assert "One leak found and confirmed with dye, repaired." in text
    assert "Before the work the pool lost" in text and "After the repair a log of 72 h gave no evidence" in text
    assert re.search(r"6\.3\d m from post A and 2\.7\d m from post B", text)
    assert "What remains to be done" in text
    for heading in ("Findings", "Water", "Current", "Coverage", "Safety checks", "Test leak", "Readings",
                    "Method and limits", "Cautions", "Taken back", "Pictures"):  # fmt: skip
        assert heading in text, heading
    assert "not here: lost.jpg (not with this report)" in text


def test_page_one_says_what_could_hide_and_what_remains(record: Contents) -> None:
    cells = [
        {"position_m": [1.0, 1.0, 0.5], "size_m": 0.4, "limit_A": 1e-4, "limit_hole_mm": 0.4, "detectable_A": 1e-4}
    ]
    coverage = {"fraction_at_reference": 0.82, "reference_A": 3e-4, "cells": cells, "text": "x"}
    light = Fitting(name="light", kind="light", position_m=(9.0, 2.25, 0.7), covered=True)
    ladder = Fitting(name="ladder", kind="ladder", position_m=(1.6, 0.0, 0.4))
    step = CurrentStep(
        kind="cover",
        fitting="light",
        before_A=6e-3,
        before_sigma_A=1e-5,
        after_A=1.5e-3,
        after_sigma_A=1e-5,
        time_s=0.0,
    )
    budget = {"injected_A": 1.5e-3, "fittings": [{"name": "ladder", "current_A": 1e-3, "interval_A": [9e-4, 1.1e-3]}],
              "findings_A": 0.0, "unexplained_A": 0.0, "unexplained_interval_A": [0.0, 1e-4]}  # fmt: skip
    location = {"coverage": coverage, "budget": budget, "findings": []}
    told, _ = page(build(replace(record, fittings=[light, ladder], current_steps=[step], location=location)))
    first = told[: told.index("Findings, for the technician")]
    assert "in 82 % of the liner no leak that takes 0.3 mA or more" in first and "no hole above about 0.4 mm" in first
    assert "in the other 18 %" in first and "Leaks in pipes are not seen" in first
    assert "Take the cover or plug off again before the pool is used: light." in first
    assert "dye at the seals of fittings that took much of the current: light (75 % of the current)." in first
    assert "18 % of the liner is not excluded" in first and "Nothing is open" not in first


def test_times_are_those_at_the_pool(record: Contents) -> None:
    assert "when (UTC)" in page(build(record))[0]
    there = replace(record, meta={**record.meta, "utc_offset_s": -7 * 3600.0})
    text, _ = page(build(there))
    assert "when (UTC-07:00)" in text and "when (UTC)" not in text
    noon = structs.replace(record.safety_checks[0], time_s=1_781_697_600.0)  # 2026-06-17 12:00 UTC
    assert "2026-06-17 05:00" in page(build(replace(there, safety_checks=[noon])))[0]


def test_no_persons_or_companys_name_is_on_a_customers_page(record: Contents) -> None:
    told = page(build(record))[0].lower()
    assert "formula 1" in told
    for name in ("carrier", "shah", "smith", "penman", "ashrae"):
        assert name not in told


def test_emulated_is_stamped_and_real_is_not(record: Contents, tmp_path: Path) -> None:
    text, _ = page(build(record))
    assert text.count("EMULATED") >= 2 and "Nothing in this report was measured in a real pool" in text
    with SurveyStore.create(tmp_path / "r.survey", name="Real", pool_toml=record.pool_toml, emulated=False) as store:
        real = load(store)
    assert "EMULATED" not in to_html(build(real))


def test_html_stands_alone_and_escapes(record: Contents) -> None:
    html = to_html(build(record))
    _, words = page(build(record))
    assert words.open == []
    assert all(a.startswith("data:") for a in words.addresses)
    assert "http" not in html.replace("http://www.w3.org/2000/svg", "")
    assert "&lt;enable released&gt;" in html and "press &amp; reset" in html


def test_drawings_are_well_formed_and_inside_their_frame(record: Contents) -> None:
    figures = [b for b in build(record).blocks if isinstance(b, Figure)]
    assert len(figures) == 6  # plan, water, two level logs, current, coverage
    for figure in figures:
        root = ET.fromstring(figure.svg)
        width, height = (float(v) for v in root.attrib["viewBox"].split()[2:])
        for element in root:
            for x, y in (("x", "y"), ("x1", "y1"), ("x2", "y2"), ("cx", "cy")):
                if x in element.attrib:
                    assert -0.5 <= float(element.attrib[x]) <= width + 0.5, (figure.caption, element.attrib)
                    assert -0.5 <= float(element.attrib[y]) <= height + 0.5, (figure.caption, element.attrib)
            if element.tag.endswith("text") and not element.attrib.get("transform"):
                # Source Sans is about 0.5 em wide on average, DejaVu Sans 0.6.
                length = 0.6 * float(element.attrib["font-size"]) * len(element.text or "")
                at, anchor = float(element.attrib["x"]), element.attrib["text-anchor"]
                start = at - {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * length
                assert start >= -1 and start + length <= width + 1, (figure.caption, element.text)


def test_units_of_the_reader(record: Contents) -> None:
    si, _ = page(build(record, "si"))
    us, _ = page(build(record, "us"))
    assert "L/day" in si and "gal/day" not in si
    assert "gal/day" in us and "L/day" not in us
    assert re.search(r"\d+ ft \d+ in from post A", us)


# ---- other courses of a visit -----------------------------------------------------------------------------------


def visit(tmp_path: Path, **parts: Any) -> str:
    """A short survey with some parts, as the text of its report."""
    path = tmp_path / "v.survey"
    path.unlink(missing_ok=True)
    pool = scenario().POOL
    with SurveyStore.create(path, name="V", pool_toml=parts.get("pool", pool), emulated=False) as store:
        for check in parts.get("checks", []):
            store.add_safety_check(check)
        if parts.get("readings", True):
            store.keep(
                KeptReading(front_m=(1.0, 1.0, 0.5), back_m=(1.3, 1.0, 0.5), value_V=1e-4, sigma_V=1e-6, station="S1")
            )
        for stages in parts.get("findings", []):
            number = store.put_finding(Finding(number=0, position_m=(3.0, 0.0, 1.0), text="short of the step"))
            for stage in stages:
                store.set_finding_stage(number, *stage) if isinstance(stage, tuple) else store.set_finding_stage(
                    number, stage
                )
        for moment, verdict, low, high in parts.get("loss", []):
            result = {
                "verdict": verdict, "leak_L_per_day": (low + high) / 2, "unclipped_L_per_day": (low + high) / 2,
                "interval_L_per_day": [low, high], "hours": 48.0, "worth_L_per_day": 80.0, "levels": [],
                "pump_on_h": [], "pool_drop_mm": 1.0, "bucket_drop_mm": None, "rain_mm": 0.0, "handled_L": 0.0,
                "evaporation_mm": 1.0, "evaporation_by_method_mm": {}, "error_shares": {}, "pump": {"points_at": ""},
                "cautions": [],
            }  # fmt: skip
            store.add_loss_test(LossTest(moment=moment, log_csv="", result=result))
        if parts.get("proof", True):
            store.add_sensitivity_test(SensitivityTest(ok=True, result={"text": "seen"}))
        return page(build(load(store)))[0]


def test_a_suspicion_is_never_called_a_leak(tmp_path: Path) -> None:
    text = visit(tmp_path, findings=[[]])
    assert "One suspected place not yet tested with dye." in text
    assert "Suspected place 1" in text and "may be no leak" in text
    assert "Leak 1" not in text and "leak found" not in text
    assert "Test place 1 with dye" in text


def test_dye_not_drawn_is_no_leak(tmp_path: Path) -> None:
    text = visit(tmp_path, findings=[["dye not drawn"]])
    assert "none confirmed as a leak" in text and "Leak 1" not in text


def test_repair_without_dye_is_said(tmp_path: Path) -> None:
    text = visit(tmp_path, findings=[["repaired"]])
    assert "Repaired without a dye test" in text and "Leak 1" not in text
    assert "again to see whether it is closed" in text


def test_sink_that_is_still_there_is_said(tmp_path: Path) -> None:
    text = visit(
        tmp_path, findings=[["dye drawn", "repaired", ("re-measured", "", {"outcome": "still there", "text": "x"})]]
    )
    assert "it is still there" in text and "Look again at place 1" in text and "Nothing is open" not in text


def test_nothing_found_is_not_proof(tmp_path: Path) -> None:
    text = visit(tmp_path, proof=False)
    assert "No leak was found in the liner. That is not proof" in text
    assert "No test leak was read" in text and "Repeat the survey with a test leak" in text
    assert "Do a bucket test" in text


def test_failed_safety_check_comes_first(tmp_path: Path) -> None:
    bad = SafetyCheck(name="mains gradient", ok=False, value=0.4, unit="V/m", limit_value=0.1)
    text = visit(tmp_path, checks=[bad])
    assert "Keep out of the water and call a licensed electrician: mains gradient." in text and "FAILED" in text
    later = SafetyCheck(name="mains gradient", ok=True, value=0.01, unit="V/m", limit_value=0.1)
    assert "Keep out of the water and call" not in visit(tmp_path, checks=[bad, later])


def test_water_still_lost_after_the_repair(tmp_path: Path) -> None:
    done = [["dye drawn", "repaired"]]
    text = visit(tmp_path, findings=done, loss=[("before", "leak", 250, 350), ("after", "leak", 100, 180)])
    assert "The pool still loses water after the repair." in text and "Not explained" in text


def test_without_a_usable_pool_the_report_is_still_made(tmp_path: Path) -> None:
    text = visit(tmp_path, pool="not a pool", findings=[["dye drawn"]])
    assert "no usable pool description" in text and "One leak found" in text


def test_budget_by_size_before_and_by_repair_after(record: Contents, tmp_path: Path) -> None:
    budget = water_budget(record)
    assert budget is not None and budget.by == "repair" and budget.verdict == "explained"


# ---- drawings ---------------------------------------------------------------------------------------------------


def test_ticks_are_round_and_cover() -> None:
    for low, high in ((0.0, 1.0), (-3.0, 17.0), (0.0, 4321.0), (2.0, 2.0), (0.0, 1e-4)):
        ticks = nice_ticks(low, high)
        assert ticks[0] <= low and ticks[-1] >= high and 3 <= len(ticks) <= 12


def test_arrows_point_where_the_current_flows() -> None:
    # Above zero: from back towards front. Front at smaller x, so the current flows towards -x.
    readings = [
        KeptReading(front_m=(1.0, 2.0, 0.5), back_m=(1.3, 2.0, 0.5), value_V=2e-4, sigma_V=1e-6, station="S"),
        KeptReading(front_m=(1.15, 2.15, 0.5), back_m=(1.15, 1.85, 0.5), value_V=1e-4, sigma_V=1e-6, station="S"),
        KeptReading(front_m=(1.15, 2.0, 0.65), back_m=(1.15, 2.0, 0.35), value_V=9e-4, sigma_V=1e-6, station="S"),
    ]
    ((at, vector),) = station_vectors(readings)
    assert at == pytest.approx((1.15, 2.0)) and vector == pytest.approx((-2e-4, 1e-4))


def test_charts_with_degenerate_data() -> None:
    for svg in (
        intervals([IntervalRow("a & b", 0.0, 0.0, 0.0, "<none>")], "x"),
        lines([Series("s", [(0.0, 1.0), (1.0, 1.0)], "#000")], "x", "y"),
    ):
        ET.fromstring(svg)


# ---- PDF --------------------------------------------------------------------------------------------------------


def test_typst_source_quotes_everything(tmp_path: Path) -> None:
    nasty = 'a "quote" \\ #panic() $x$ [b] *c* _d_ @e <f>\n2'
    document = Document(
        nasty,
        nasty,
        [("k", nasty)],
        [Paragraph(nasty), Table(["h"], [[nasty]], "l"), KeyFigures([])],
        nasty,
        nasty,
        nasty,
    )
    source = to_typst(document, "a4", tmp_path)
    outside = re.sub(r'"(?:[^"\\]|\\.)*"', "", source)
    assert "panic" not in outside and "@e" not in outside
    if pdf.available():
        assert pdf.to_pdf(document).startswith(b"%PDF")


@pytest.mark.skipif(not pdf.available(), reason="the report extra (typst) is not installed")
@pytest.mark.parametrize(("paper", "size"), [("a4", "(A4)"), ("letter", "(letter)")])
def test_pdf_in_both_papers(survey: Path, tmp_path: Path, paper: str, size: str) -> None:
    assert main(["report", str(survey), "--out", str(tmp_path), "--paper", paper, "--json"]) == 0
    file = tmp_path / "report.pdf"
    assert file.read_bytes().startswith(b"%PDF")
    if not shutil.which("pdftotext"):
        return  # poppler is a convenience here, not a dependency
    info = subprocess.run(["pdfinfo", str(file)], capture_output=True, text=True, check=True).stdout
    assert size in info
    pages = subprocess.run(["pdftotext", "-layout", str(file), "-"], capture_output=True, text=True, check=True).stdout
    sheets = pages.split("\f")[:-1]
    assert 4 <= len(sheets) <= 8
    assert all("EMULATED" in re.sub(r"(?<=[A-Z]) (?=[A-Z])", "", sheet) for sheet in sheets)
    assert "What remains to be done" in sheets[0], "the owner's summary with the plan fits on page 1"
    fonts = subprocess.run(["pdffonts", str(file)], capture_output=True, text=True, check=True).stdout
    assert fonts.count("SourceSansPro") == len(fonts.splitlines()) - 2


def test_without_typst_html_is_written_and_said(
    survey: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("earthward.report.build.available", lambda: False)
    assert main(["report", str(survey), "--out", str(tmp_path / "r"), "--json"]) == 0
    captured = capsys.readouterr()
    assert [Path(p).name for p in json.loads(captured.out)["written"]] == ["report.html"]
    assert "typst" in captured.err


def test_command_with_bad_input(tmp_path: Path, capsys: pytest.CaptureFixture[str], survey: Path) -> None:
    (tmp_path / "file").write_text("x")
    for arguments in (
        ["report", str(tmp_path / "none")],
        ["report", str(tmp_path / "file")],
        ["report", str(survey), "--out", str(tmp_path / "file")],
    ):
        assert main(arguments) == 2
        captured = capsys.readouterr()
        assert captured.out == "" and captured.err.count("\n") == 1


def test_report_leaves_the_survey_as_it_is(survey: Path, tmp_path: Path) -> None:
    before = survey.read_bytes()
    assert next(p.name for p in build_report(survey, tmp_path)) == "report.html"
    assert survey.read_bytes() == before


def test_fittings_that_are_covered_say_so(tmp_path: Path) -> None:
    with SurveyStore.create(tmp_path / "c.survey", name="C", pool_toml=scenario().POOL, emulated=True) as store:
        store.put_fitting(Fitting(name="light", kind="light", position_m=(9.0, 2.0, 0.6), covered=True))
        figure = next(b for b in build(load(store)).blocks if isinstance(b, Figure))
    assert "light (covered)" in figure.svg


def test_a_new_field_of_a_reading_stands_in_the_table_by_itself(record: Contents) -> None:
    class Tomorrow(KeptReading, frozen=True, kw_only=True):
        wind_m_per_s: float | None = None

    survey = [r for r in record.readings if r.purpose == "survey"]
    kept = Tomorrow(**structs.asdict(survey[0]), wind_m_per_s=3.5)
    with_field = replace(record, readings=[kept, *survey[1:]])
    told = next(block for block in readings(with_field, "si") if isinstance(block, Table))
    assert "wind m per s 3.5" in told.rows[0][-1] and "wind" not in told.rows[1][-1]
    at_leak = [block for block in readings(record, "si") if isinstance(block, Table)][-2]
    assert "test leak connected" in " ".join(row[-1] for row in at_leak.rows)


def test_rows_that_could_not_be_read_are_told(record: Contents) -> None:
    blocks = readings(replace(record, damaged=("s.db: row 7 of reading is damaged",)), "si")
    assert any(isinstance(b, Bullets) and "row 7" in b.items[0] for b in blocks)


def test_pictures_come_from_the_surveys_folder_only(record: Contents, tmp_path: Path) -> None:
    inside, outside = tmp_path / "visit" / "a.png", tmp_path / "private.png"
    inside.parent.mkdir()
    for file in (inside, outside):
        file.write_bytes(PNG)
    (inside.parent / "link.png").symlink_to(outside)
    asked = [Photo(path=p) for p in ("a.png", "../private.png", str(outside), "link.png", "a\0.png")]
    assert len(pictures_of(replace(record, photos=asked), inside.parent)) == 1


def test_control_characters_stop_no_report(record: Contents) -> None:
    named = replace(record, meta={**record.meta, "name": "Heron\x07 Court\x00", "owner": "\x1b[31m"})
    named = replace(named, fittings=[structs.replace(f, name=f"{f.name}\x0b") for f in named.fittings])
    if named.pool is not None:
        named = replace(named, pool=replace(named.pool, fittings=tuple(named.fittings)))
    assert to_pdf(build(named)).startswith(b"%PDF")
