"""The virtual Pi's own tools: the page's commands are found, a power cut leaves what was flushed. No machine runs."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from tests.virtual_pi.as_a_pi import as_a_pi
from tests.virtual_pi.power_cut import FLUSH, MAGIC, SUPER, Cuts, read_log
from tests.virtual_pi.run import PAGE, Table, steps_of

from earthward.emulated.scenario import Scenario

SECTOR = 512


def test_the_pages_commands_are_found_in_order() -> None:
    steps = steps_of(PAGE)
    assert steps[0] == "./install.sh --dry-run" and steps[1] == "sudo ./install.sh" and "sudo reboot" in steps
    assert any("doctor" in step for step in steps[steps.index("sudo reboot") :])


def test_the_page_shows_each_stages_last_run_and_says_what_was_not_run(tmp_path: Path) -> None:
    for found in ("well", "two\nlines | and a bar"):
        table = Table(tmp_path / "found.json")
        table.begin("boot")
        table.add("power on", found)
        table.end()
    later = Table(tmp_path / "found.json")
    later.begin("power")
    later.add("cuts", "3 missing", good=False)
    later = Table(tmp_path / "found.json")
    lines = later.as_page().splitlines()
    assert "| boot: power on | two lines / and a bar |" in lines and "well" not in later.as_page()
    assert "| power: cuts | **NOT AS IT SHOULD BE** 3 missing |" in lines
    assert "| power: the stage | was ended from outside before its end |" in lines
    assert "boot: the stage" not in later.as_page()
    assert "| install | not run |" in lines and "| boot | not run |" not in lines


def entry(sector: int, data: bytes, flags: int = 0) -> bytes:
    head = struct.pack("<QQQQ", sector, len(data) // SECTOR, flags, 0)
    return head.ljust(SECTOR, b"\0") + data


def test_a_cut_keeps_all_that_was_flushed_and_any_part_of_the_rest(tmp_path: Path) -> None:
    base, log = tmp_path / "base", tmp_path / "log"
    base.write_bytes(bytes(16 * SECTOR))
    blocks = [bytes([n]) * SECTOR for n in range(1, 6)]
    written = (
        entry(0, blocks[0]) + entry(1, blocks[1]) + entry(0, b"", FLUSH) + entry(2, blocks[2]) + entry(0, blocks[3])
    )
    log.write_bytes(SUPER.pack(MAGIC, 1, 5, SECTOR).ljust(SECTOR, b"\0") + written + b"\0" * 100)
    assert [w.size for w in read_log(log)] == [SECTOR, SECTOR, 0, SECTOR, SECTOR]
    seen = set()
    for seed in range(40):
        cuts = Cuts(base, log, tmp_path / "after", seed)
        cuts._cut(4)
        after = (tmp_path / "after").read_bytes()
        assert after[SECTOR : 2 * SECTOR] == blocks[1], "it was flushed"
        assert after[3 * SECTOR :] == bytes(13 * SECTOR), "never written"
        seen.add((after[0], after[2 * SECTOR]))
    assert seen == {(1, 0), (1, 3), (4, 0), (4, 3)}, "of what was not flushed, every combination comes"
    cuts._cut(1)
    assert {w.flags for w in cuts.writes} == {0, FLUSH}


def test_the_tree_gets_the_name_of_a_pi() -> None:
    nodes = {
        "gpio-keys": "\t\tpoweroff {\n\t\t\ty;\n\t\t};\n",
        "pl061@9030000": "\t\tz;\n",
        "pl011@9000000": "\t\tu;\n",
    }
    tree = '/dts-v1/;\n\n/ {\n\t#size-cells = <0x02>;\n\tmodel = "linux,dummy-virt";\n'
    tree += "".join(f"\n\t{name} {{\n{inside}\t}};\n" for name, inside in nodes.items()) + "};\n"
    changed = as_a_pi(tree)
    assert "Raspberry Pi 4" in changed and "linux,revision = <0xc03115>" in changed and "dummy" not in changed
    assert "pl061" not in changed and "gpio-keys" not in changed and "pl011" in changed


def test_the_world_inside_obeys_the_hands_of_the_stages(monkeypatch: pytest.MonkeyPatch) -> None:
    from tests.virtual_pi.guest import world as inside

    monkeypatch.setattr(inside, "Water", lambda *_: None)
    monkeypatch.setattr(inside.World, "drive_contact", lambda *_: None)
    world = inside.World(Scenario.random(1))
    for line in ("hold 2 1.5 0.6 90", "enable 1", "enable 0", "stop 0", "stop 1", "reset", "lift"):
        assert not world.obey(line).startswith("unknown")
    assert world.technician.pose.front_m is None
