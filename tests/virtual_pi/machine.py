"""A virtual Pi on qemu: start, talk to it, unplug its cable, cut its power."""

from __future__ import annotations

import json
import select
import socket
import subprocess
import time
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

#: no randomness, and nothing that a busy machine would set off
KERNEL_OPTIONS = (
    "console=ttyAMA0", "loglevel=3", "panic=1", "nokaslr", "mitigations=off", "audit=0", "apparmor=0", "nowatchdog",
    "systemd.show_status=0",
)  # fmt: skip
#: so long, in real seconds, a step may take at most on an emulated processor
LONG_S = 1800.0


class MachineError(Exception):
    """The machine does not do what is needed; one sentence."""


@dataclass(frozen=True)
class Answer:
    """Of a command inside: exit code, what it printed, real seconds."""

    code: int
    out: str
    err: str
    seconds: float = 0.0


@dataclass
class Settings:
    """folder: of build.sh. counted: a processor that does so many instructions a second (500 or 1000 millions), so
    that time inside depends on the work and not on the machine it runs on; None: as fast as it goes."""

    folder: Path
    disk: Path
    counted_MIPS: int | None = None
    log_writes: Path | None = None
    append: str = ""
    extra: list[str] = field(default_factory=list)


class Machine:
    """Context manager: power on .. power off."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self._run = settings.folder / "run"
        self._run.mkdir(exist_ok=True)
        self._number = 0
        self._pending = b""
        self._agent: socket.socket | None = None
        self._monitor: socket.socket | None = None
        self.process: subprocess.Popen[bytes] | None = None

    # ---- power ----------------------------------------------------------------------------------------------

    def __enter__(self) -> Self:
        for name in ("hands", "cable", "monitor", "marks"):
            (self._run / name).unlink(missing_ok=True)
        (self._run / "console.log").write_bytes(b"")
        self.process = subprocess.Popen(
            self._command(), stdout=subprocess.DEVNULL, stderr=(self._run / "qemu.log").open("wb")
        )
        self._agent = self._connect("hands")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.cut_power()

    def cut_power(self) -> None:
        """The machine is gone between two instructions."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None
        for line in (self._agent, self._monitor):
            if line is not None:
                line.close()
        self._agent = self._monitor = None
        self._pending = b""

    def switch_off(self, seconds: float) -> None:
        """An orderly shutdown. What does it must not hold the answer's pipes: the machine may be off before it."""
        assert self.process is not None
        self.run("sync; (sleep 1; systemctl poweroff) < /dev/null > /dev/null 2>&1 &")
        self.process.wait(timeout=seconds)
        self.cut_power()

    def _command(self) -> list[str]:
        s, run = self.settings, self._run
        disk = f"driver=raw,node-name=plain,file.driver=file,file.filename={s.disk}"
        drive = ["-blockdev", disk]
        if s.log_writes is not None:
            s.log_writes.write_bytes(b"")
            drive += [
                "-blockdev",
                f"driver=blklogwrites,node-name=logged,file=plain,log.driver=file,log.filename={s.log_writes}",
            ]
        node = "plain" if s.log_writes is None else "logged"
        counted = []
        if s.counted_MIPS is not None:
            shift = {1000: 0, 500: 1}[s.counted_MIPS]
            counted = ["-icount", f"shift={shift},sleep=off", "-rtc", "clock=vm,base=2026-06-17T08:30:00"]
        return [
            "qemu-system-aarch64", "-M", "virt", "-cpu", "cortex-a72", "-smp", "1", "-m", "2048",
            *([] if s.counted_MIPS else ["-accel", "tcg,tb-size=512"]),
            "-nic", "none", "-display", "none", "-monitor", "none", "-no-reboot",
            "-kernel", str(s.folder / "vmlinuz"), "-initrd", str(s.folder / "initrd.gz"),
            "-dtb", str(s.folder / "pi.dtb"), "-serial", f"file:{run / 'console.log'}",
            "-qmp", f"unix:{run / 'monitor'},server=on,wait=off",
            *drive, "-device", f"virtio-blk-device,drive={node}",
            "-device", "virtio-serial-device",
            "-chardev", f"socket,id=hands,path={run / 'hands'},server=on,wait=off",
            "-device", "virtserialport,chardev=hands,name=hands",
            "-chardev", f"socket,id=plug,path={run / 'cable'},server=on,wait=off",
            "-chardev", f"socket,id=board,path={run / 'cable'}",
            "-device", "virtserialport,chardev=board,name=board",
            "-chardev", f"file,id=marks,path={run / 'marks'}",
            "-device", "virtserialport,chardev=marks,name=marks",
            "-device", "qemu-xhci,id=usb", "-device", "usb-serial,chardev=plug,id=cable,bus=usb.0",
            "-append", " ".join([*KERNEL_OPTIONS, s.append]),
            *counted, *s.extra,
        ]  # fmt: skip

    def _connect(self, name: str) -> socket.socket:
        end = time.monotonic() + 20.0
        while True:
            line = socket.socket(socket.AF_UNIX)
            try:
                line.connect(str(self._run / name))
                return line
            except OSError:
                line.close()
                if time.monotonic() > end or (self.process and self.process.poll() is not None):
                    raise MachineError(f"qemu did not start: {self.trouble()}") from None
                time.sleep(0.1)

    def trouble(self) -> str:
        """The last that qemu and the console said."""
        said = [(self._run / name).read_text(errors="replace")[-1500:] for name in ("qemu.log", "console.log")]
        return " | ".join(said)

    # ---- inside ----------------------------------------------------------------------------------------------

    def wait_up(self, seconds: float = LONG_S) -> float:
        """Until somebody inside answers. Real seconds that it took."""
        begin = time.monotonic()
        self._line(seconds)
        return time.monotonic() - begin

    def run(self, command: str, user: str = "root", seconds: float = 120.0) -> Answer:
        """A command in the shell of a user inside; `seconds` are of its time."""
        assert self._agent is not None
        self._number += 1
        begin = time.monotonic()
        ask = {"id": self._number, "run": command, "user": user, "seconds": seconds}
        self._agent.sendall(json.dumps(ask).encode() + b"\n")
        while True:
            said = self._line(max(LONG_S, 20 * seconds))
            if said["id"] == self._number:
                return Answer(said["code"], said["out"], said["err"], time.monotonic() - begin)

    def must(self, command: str, user: str = "root", seconds: float = 120.0) -> str:
        """The same, and it has to succeed."""
        answer = self.run(command, user, seconds)
        if answer.code:
            raise MachineError(f"inside, {command!r} ended with {answer.code}: {(answer.err or answer.out)[-1500:]}")
        return answer.out

    def begin(self, command: str, seconds: float = LONG_S) -> int:
        """Begin a command of root's; `finished` has its answer."""
        assert self._agent is not None
        self._number += 1
        ask = {"id": self._number, "run": command, "user": "root", "seconds": seconds}
        self._agent.sendall(json.dumps(ask).encode() + b"\n")
        return self._number

    def finished(self, number: int, seconds: float) -> Answer | None:
        """The answer of a command that was begun, or None if it does not come within so many real seconds."""
        try:
            said = self._line(seconds)
        except TimeoutError:
            return None
        return Answer(said["code"], said["out"], said["err"]) if said["id"] == number else None

    def marks(self) -> list[str]:
        """What programs inside have said on the port of marks, line by line."""
        path = self._run / "marks"
        return path.read_text().split("\n")[:-1] if path.exists() else []

    def _line(self, seconds: float) -> dict[str, Any]:
        assert self._agent is not None
        end = time.monotonic() + seconds
        while b"\n" not in self._pending:
            left = end - time.monotonic()
            ready, _, _ = select.select([self._agent], [], [], max(min(left, 1.0), 0.0))
            if ready:
                data = self._agent.recv(65536)
                if not data:
                    raise MachineError(f"the machine went off: {self.trouble()}")
                self._pending += data
            elif left <= 0:
                raise TimeoutError(f"no word from inside for {seconds:.0f} s: {self.trouble()}")
        line, _, self._pending = self._pending.partition(b"\n")
        said: dict[str, Any] = json.loads(line)
        return said

    # ---- outside ----------------------------------------------------------------------------------------------

    def monitor(self, command: str, **arguments: object) -> Any:
        """One command of qemu's monitor."""
        if self._monitor is None:
            self._monitor = self._connect("monitor")
            self._file = self._monitor.makefile("rwb")
            self._file.readline()
            self._ask({"execute": "qmp_capabilities"})
        return self._ask({"execute": command, "arguments": arguments})

    def _ask(self, message: dict[str, object]) -> Any:
        self._file.write(json.dumps(message).encode() + b"\n")
        self._file.flush()
        while True:
            said = json.loads(self._file.readline())
            if "return" in said:
                return said["return"]
            if "error" in said:
                raise MachineError(f"qemu refuses {message['execute']}: {said['error'].get('desc')}")

    def unplug_cable(self) -> None:
        """Pull the board's USB cable."""
        self.monitor("device_del", id="cable")

    def plug_cable(self) -> None:
        self.monitor("device_add", driver="usb-serial", chardev="plug", id="cable", bus="usb.0")
