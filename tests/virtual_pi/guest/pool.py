"""Write what a person would know of the world's pool: pool.py TARGET."""

import sys
from pathlib import Path

from earthward.emulated.scenario import Scenario
from earthward.pool.pool_file import format_pool

Path(sys.argv[1]).write_text(format_pool(Scenario.random(1).known_pool()))
