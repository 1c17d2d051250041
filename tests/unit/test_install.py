"""Installation on a system below a folder of the test's: nothing of this machine is changed."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

import pytest

from earthward import config as configuration
from earthward.cli import main
from earthward.errors import InputError
from earthward.install import plan
from earthward.install.changes import System, run_command

GROUPS = "root:x:0:\ni2c:x:994:\ngpio:x:986:\ndialout:x:20:\n"
PASSWD = "root:x:0:0:root:/root:/bin/bash\n"
BOOT = "# made by hand\ndtoverlay=vc4-kms-v3d\n[all]\nenable_uart=1"
SERVICE = "etc/systemd/system/earthward.service"


class Pretended:
    """Takes the system's commands; adds the user as useradd would."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.commands: list[list[str]] = []

    def __call__(self, command: Sequence[str]) -> None:
        self.commands.append(list(command))
        if command[0] == "useradd":
            with (self.root / "etc/passwd").open("a", encoding="utf-8") as file:
                file.write(f"{command[-1]}:x:900:900::/var/lib/earthward:/usr/sbin/nologin\n")
        if command[0] == "usermod":
            path, groups = self.root / "etc/group", command[-2].split(",")
            path.write_text("".join(
                line + (command[-1] if line.split(":")[0] in groups else "") + "\n"
                for line in path.read_text().splitlines()
            ))  # fmt: skip


@pytest.fixture
def pi(tmp_path: Path) -> System:
    for name, text in {"etc/group": GROUPS, "etc/passwd": PASSWD, "boot/firmware/config.txt": BOOT}.items():
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    return System(tmp_path, Pretended(tmp_path))


def make_all(system: System, options: plan.Options) -> list[str]:
    due = [change for change in plan.changes(options, system) if change.due(system)]
    for change in due:
        change.make(system)
    return [change.text for change in due]


def everything_in(folder: Path) -> dict[str, str]:
    return {str(p.relative_to(folder)): p.read_text() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_a_second_installation_changes_nothing(pi: System) -> None:
    assert len(make_all(pi, plan.Options())) == 7
    first = everything_in(pi.root)
    assert make_all(pi, plan.Options()) == []
    assert everything_in(pi.root) == first
    assert "i2c_arm_baudrate=400000" in first["boot/firmware/config.txt"]
    assert first["boot/firmware/config.txt"].startswith(BOOT)


def test_removal_leaves_what_a_person_has_and_nothing_else_of_ours(pi: System) -> None:
    before = everything_in(pi.root)
    options = plan.Options(adapter="FTDI_FT232R_A1", screen=True)
    make_all(pi, options)
    mine = pi.path("/etc/earthward/earthward.toml")
    mine.write_text('units = "us"\n')
    assert make_all(pi, options) == []
    for change in reversed(plan.everything(options, pi)):
        change.undo(pi)
    after = everything_in(pi.root)
    assert after.pop("etc/earthward/earthward.toml") == 'units = "us"\n'
    assert after.pop("etc/passwd").startswith(PASSWD)  # the surveys belong to the user: it stays
    assert after.pop("etc/group").startswith("root:x:0:\n")
    assert {k: v.rstrip("\n") for k, v in after.items()} == {
        k: v.rstrip("\n") for k, v in before.items() if k not in ("etc/passwd", "etc/group")
    }


def test_an_upgrade_replaces_our_block_and_not_the_lines_around_it(pi: System) -> None:
    make_all(pi, plan.Options())
    path = pi.path("/boot/firmware/config.txt")
    path.write_text(path.read_text().replace("400000", "100000") + "dtoverlay=mine\n")
    assert make_all(pi, plan.Options()) == [
        "add to /boot/firmware/config.txt: dtparam=i2c_arm=on, dtparam=i2c_arm_baudrate=400000"
    ]
    text = path.read_text()
    assert text.count("# earthward begin") == 1 and "dtoverlay=mine" in text and "100000" not in text


def test_groups_that_the_system_lacks_are_left_out(pi: System) -> None:
    make_all(pi, plan.Options())
    assert "SupplementaryGroups=i2c gpio dialout\n" in (pi.root / SERVICE).read_text()
    (pi.root / "etc/group").write_text("root:x:0:\n")
    make_all(pi, plan.Options())
    assert "SupplementaryGroups" not in (pi.root / SERVICE).read_text()


def test_the_written_configuration_is_one_that_the_daemon_takes(pi: System) -> None:
    make_all(pi, plan.Options())
    written = configuration.load(pi.path("/etc/earthward/earthward.toml"))
    assert written == configuration.Config()


def test_an_adapter_name_cannot_break_out_of_its_rule(pi: System) -> None:
    with pytest.raises(InputError, match="no serial name"):
        plan.changes(plan.Options(adapter='x", RUN+="/bin/sh'), pi)
    assert 'ENV{ID_SERIAL}=="A1"' in plan.udev_rule("A1")


def test_dry_run_says_and_does_nothing(pi: System, capsys: pytest.CaptureFixture[str]) -> None:
    before = everything_in(pi.root)
    assert main(["install", "--dry-run", "--root", str(pi.root), "--screen"]) == 0
    said = capsys.readouterr().out
    assert "would write /etc/systemd/system/earthward-screen.service" in said and "would add the user" in said
    assert everything_in(pi.root) == before


def test_going_back_swaps_the_versions(pi: System, capsys: pytest.CaptureFixture[str]) -> None:
    prefix = pi.path("/opt/earthward")
    for version in ("1.0", "1.1"):
        (prefix / "versions" / version).mkdir(parents=True)
    (prefix / "current").symlink_to(prefix / "versions/1.1")
    assert main(["install", "--rollback", "--root", str(pi.root)]) == 2
    assert "no version before" in capsys.readouterr().err
    (prefix / "previous").symlink_to(prefix / "versions/1.0")
    assert main(["install", "--rollback", "--root", str(pi.root)]) == 0
    assert ((prefix / "current").resolve().name, (prefix / "previous").resolve().name) == ("1.0", "1.1")


def test_a_command_that_fails_is_named() -> None:
    with pytest.raises(InputError, match=r"^false failed \(no word\)"):
        run_command(["false"])
    with pytest.raises(InputError, match="could not be run"):
        run_command(["no-such-command-anywhere"])


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze (package systemd) is missing")
def test_units_are_right_and_closed_in(tmp_path: Path, pi: System) -> None:
    """systemd's own checker finds nothing, and its exposure score is at most 3 of 10 (`systemd-analyze security`)."""
    prefix = tmp_path / "opt"
    (prefix / "current/bin").mkdir(parents=True)
    shutil.copy("/bin/true", prefix / "current/bin/earthward")
    options = plan.Options(prefix=str(prefix))
    for name in ("earthward.service", "earthward-screen.service"):
        text = plan.unit(name, options, ()).replace("User=earthward", "User=root").replace("Group=earthward\n", "")
        (tmp_path / name).write_text(text)
    verify = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(tmp_path / "earthward.service")], capture_output=True, text=True
    )
    assert [line for line in verify.stderr.splitlines() if str(tmp_path) in line] == []
    make_all(pi, plan.Options())
    scored = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--threshold=30", str(pi.root / SERVICE)],
        capture_output=True, text=True,
    )  # fmt: skip
    assert scored.returncode == 0, scored.stdout.splitlines()[-1]


FSTAB = (
    "# of the system\nproc /proc proc defaults 0 0\nPARTUUID=1-01 /boot/firmware vfat defaults 0 2\n"
    "PARTUUID=1-02  /  ext4  defaults,noatime  0 1\n"
)
DATA = "LABEL=surveys /var/lib/earthward ext4 defaults,noatime 0 2\n"


def test_a_read_only_root_wants_a_partition_for_the_surveys(pi: System) -> None:
    pi.path("/etc/fstab").write_text(FSTAB)
    with pytest.raises(InputError, match="surveys need a partition of their own"):
        make_all(pi, plan.Options(read_only=True))
    assert pi.path("/etc/fstab").read_text() == FSTAB


def test_a_read_only_root_is_made_once_and_taken_back(pi: System) -> None:
    fstab = pi.path("/etc/fstab")
    fstab.write_text(FSTAB + DATA)
    make_all(pi, plan.Options(read_only=True))
    made = fstab.read_text()
    lines = {line.split()[1]: line.split() for line in made.splitlines() if line and not line.startswith("#")}
    assert lines["/"][3] == "defaults,noatime,ro" and lines["/boot/firmware"][3] == "defaults,ro"
    assert lines["/var/lib/earthward"][3] == "defaults,noatime" and lines["/proc"][3] == "defaults"
    assert {place for place, line in lines.items() if line[0] == "tmpfs"} == {
        "/tmp", "/var/tmp", "/var/log", "/var/cache/earthward"
    }  # fmt: skip
    assert make_all(pi, plan.Options(read_only=True)) == [] and fstab.read_text() == made
    for change in reversed(plan.everything(plan.Options(), pi)):
        change.undo(pi)
    assert fstab.read_text() == FSTAB + DATA


def test_removal_leaves_somebodys_own_read_only_root_alone(pi: System) -> None:
    own = FSTAB.replace("noatime", "noatime,ro")
    pi.path("/etc/fstab").write_text(own)
    for change in reversed(plan.everything(plan.Options(), pi)):
        change.undo(pi)
    assert pi.path("/etc/fstab").read_text() == own


def test_the_daemon_starts_with_the_restart_where_the_bus_is_not_on_yet() -> None:
    before = plan.after(plan.Options(), start=True, bus_is_on=False)
    assert ["systemctl", "enable", "earthward.service"] in before
    assert not any("restart" in command or "--now" in command for command in before)
    assert plan.after(plan.Options(), start=True, bus_is_on=True)[-1] == ["systemctl", "restart", "earthward.service"]


def test_the_services_user_may_use_the_devices(pi: System) -> None:
    make_all(pi, plan.Options())
    groups = (pi.root / "etc/group").read_text().splitlines()
    assert [line.endswith(":earthward") for line in groups] == [False, True, True, True]
    # an earlier installation's user is let in by a later one
    (pi.root / "etc/group").write_text(GROUPS)
    assert make_all(pi, plan.Options()) == ["add the user earthward to i2c, gpio, dialout"]
