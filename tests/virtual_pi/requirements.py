"""What install.sh lets pip fetch, and what pip needs to build a checkout; as a script, print it."""

import sys
import tomllib
from pathlib import Path

EXTRA = ["adafruit-extended-bus>=1.0", "lgpio>=0.2", "setuptools>=68", "wheel"]


def needed(project_file: Path) -> list[str]:
    """Names with their bounds."""
    project = tomllib.loads(project_file.read_text())["project"]
    return [*project["dependencies"], *project["optional-dependencies"]["report"], *EXTRA]


if __name__ == "__main__":
    print("\n".join(needed(Path(sys.argv[1]))))
