"""Runs what the host asks for, inside the virtual Pi: a line of JSON in, a line of JSON out, over a virtio port."""

import json
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
    with open(PORT, "rb", buffering=0) as port, open(PORT, "wb", buffering=0) as back:
        back.write(b'{"id": 0, "code": 0, "out": "up", "err": ""}\n')
        pending = b""
        while data := port.read(65536):
            pending += data
            *lines, pending = pending.split(b"\n")
            for line in lines:
                if line.strip():
                    back.write(json.dumps(answer(line.decode())).encode() + b"\n")


if __name__ == "__main__":
    main()
