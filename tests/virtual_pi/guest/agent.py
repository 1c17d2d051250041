"""Runs what the host asks for, inside the virtual Pi: a line of JSON in, a line of JSON out, over a virtio port."""

import json
import os
import subprocess

PORT = "/dev/virtio-ports/hands"


def answer(line: str) -> dict[str, object]:
    ask = json.loads(line)
    command = ["runuser", "-u", ask.get("user", "root"), "--", "/bin/bash", "-c", ask["run"]]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=ask.get("seconds", 60.0), check=False)
    except subprocess.TimeoutExpired:
        return {"id": ask["id"], "code": 124, "out": "", "err": f"not done after {ask.get('seconds', 60.0)} s"}
    return {"id": ask["id"], "code": done.returncode, "out": done.stdout[-60000:], "err": done.stderr[-20000:]}


def main() -> None:
    # The kernel lets a port be opened once only.
    port = os.open(PORT, os.O_RDWR)
    say(port, {"id": 0, "code": 0, "out": "up", "err": ""})
    pending = b""
    while data := os.read(port, 65536):
        pending += data
        *lines, pending = pending.split(b"\n")
        for line in lines:
            if line.strip():
                say(port, answer(line.decode()))


def say(port: int, message: dict[str, object]) -> None:
    data = json.dumps(message).encode() + b"\n"
    while data:
        data = data[os.write(port, data) :]


if __name__ == "__main__":
    main()
