"""The acceptance sheet on emulated kits: fifteen builder's errors, a hundred right builds, a sheet with holes."""

from __future__ import annotations

import json

import pytest
from hardware.receiver_front_end import front_end
from hardware.source_board.output_stage import circuit

from earthward.cli import main
from earthward.emulated import kit
from earthward.kit import acceptance


@pytest.mark.parametrize("error", kit.ERRORS)
def test_a_builders_error_gets_its_sentence(error: str) -> None:
    """With parts at nominal and with ten draws of their tolerance: the same sentence."""
    for seed in (None, *range(10)):
        lines = acceptance.judge(kit.VirtualKit(seed, error).values())
        said = acceptance.sentences(lines)
        assert any(kit.ERRORS[error].word in sentence for sentence in said), said


def test_there_are_fifteen() -> None:
    assert len(kit.ERRORS) == 15


def test_no_other_sentence_leads_astray() -> None:
    """An error is named first: what follows from it stands below it."""
    for error in kit.ERRORS.values():
        said = acceptance.sentences(acceptance.judge(kit.VirtualKit(None, error.name).values()))
        assert error.word in said[0], (error.name, said)


def test_a_right_build_passes_in_a_hundred_of_a_hundred() -> None:
    for seed in range(100):
        lines = acceptance.judge(kit.VirtualKit(seed).values())
        assert {line.verdict for line in lines} <= {"pass", "watch"}, [line for line in lines if line.text]


def test_the_emulated_kit_has_the_circuits_values() -> None:
    for ref, ohm in kit.OHM.items():
        assert circuit.BY_REF[ref].value == ohm, ref
    values = {part.ref: part.value for part in front_end.PARTS}
    for ref, ohm in kit.FRONT_END_OHM.items():
        assert values[ref] == ohm, ref


def test_a_right_build_agrees_with_the_commissioning_list() -> None:
    """hardware/wiring/README.md, simulated by the output stage: 4.5 V at 1 kohm, 7.8 to 8.8 mA into a short circuit."""
    values = kit.VirtualKit().values()
    assert values["current_A_A"] == pytest.approx(4.5e-3, rel=0.02)
    assert values["short_A"] is not None and 7.8e-3 < values["short_A"] < 8.8e-3


def test_a_value_that_was_not_measured_is_no_pass() -> None:
    values = kit.VirtualKit().values()
    values["clamp_V"] = None
    line = next(line for line in acceptance.judge(values) if line.item.name == "clamp_V")
    assert line.verdict == "not measured"


def test_what_stops_ends_the_list() -> None:
    values = kit.VirtualKit(None, "grounds-joined").values()
    assert [line.verdict for line in acceptance.judge(values)][1:] == ["not measured"] * (len(acceptance.ITEMS) - 1)


def test_every_limit_can_fail_at_both_ends() -> None:
    right = kit.VirtualKit().values()
    for item in acceptance.ITEMS:
        for value in (item.low - 1e-3 - abs(item.low), item.high + 1e-3 + abs(item.high)):
            if abs(value) != float("inf"):
                line = next(ln for ln in acceptance.judge({**right, item.name: value}) if ln.item is item)
                assert line.verdict == "fail" and line.text, (item.name, value)


# ---- the command --------------------------------------------------------------------------------------------


def test_the_command_prints_a_sheet(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["doctor", "--acceptance", "--emulated", "--seed", "4"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("EMULATED") and "current_A_A" in out and "passed" in out


def test_the_command_names_an_error(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["doctor", "--acceptance", "--emulated", "--builders-error", "cold-joint", "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["emulated"] and not told["ok"]
    assert any("cold joint" in line["text"] for line in told["lines"])


def test_the_commands_table_of_errors(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["doctor", "--acceptance", "--emulated", "--errors-table"]) == 0
    rows = capsys.readouterr().out.splitlines()
    assert sum(row.startswith("| ") for row in rows) == 16


def test_values_written_by_hand(tmp_path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["doctor", "--acceptance", "--blank"]) == 0
    blank = capsys.readouterr().out
    path = tmp_path / "values.csv"
    right = kit.VirtualKit().values()
    path.write_text("\n".join(
        line if line.startswith("name") else f"{line.split(',')[0]},{right[line.split(',')[0]]}"
        for line in blank.splitlines()))  # fmt: skip
    assert main(["doctor", "--acceptance", "--values", str(path)]) == 0
    path.write_text("name,value\nboard_V,lots\n")
    assert main(["doctor", "--acceptance", "--values", str(path)]) == 2
    assert "line 2" in capsys.readouterr().err


def test_a_file_that_is_no_text_is_one_sentence(tmp_path, capsys: pytest.CaptureFixture[str]) -> None:
    values = tmp_path / "values.csv"
    values.write_bytes(b"name,value\n\xff\xfe\x00\n")
    assert main(["doctor", "--acceptance", "--values", str(values)]) == 2
    assert "is no table of values" in capsys.readouterr().err
