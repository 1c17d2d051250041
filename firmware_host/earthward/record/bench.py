"""Steps of a bench recording, as its notes name them."""

from __future__ import annotations

from typing import Literal

#: What is joined to the plug, or done to the jar, from that moment on; `end`: nothing that counts.
BenchStepName = Literal["quiet", "knock", "drive", "joined", "divider", "end"]
