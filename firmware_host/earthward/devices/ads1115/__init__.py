"""Reading an ADS1115 or ADS1015 without losing, doubling or inventing a sample.

The unmodified Adafruit driver does the talking; this package decides *when*. The chip keeps only its newest
conversion, so each must be fetched between its end and the next one's. Three ways of pacing:

- `by_edges`: with the ready wire, every conversion makes a numbered, stamped edge;
- `by_rate`: without it, conversions are paced by their estimated rate and phase (`rate_pacer`);
- `by_starts`: several differential inputs of one chip are converted in turn, each conversion started on its own.

Each sample has the number of its conversion, so whatever was missed is a jump of the index, never a guess. The
chip's configuration is read back before each block is handed on: a chip that reset itself looks healthy otherwise.

`chip` holds registers, settings and the driver, `samples` what lies between a code and a block, `ranges` the choice of
the range, `reader` the threads.
"""

from earthward.devices.ads1115.chip import FULL_SCALE_V, AdcSettings, Bus, ChipError
from earthward.devices.ads1115.reader import AdcReader
from earthward.devices.ads1115.status import AdcStatus

__all__ = ["FULL_SCALE_V", "AdcReader", "AdcSettings", "AdcStatus", "Bus", "ChipError"]
