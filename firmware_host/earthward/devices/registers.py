"""One thread at a time in the Adafruit drivers' register library."""

from __future__ import annotations

import threading

#: `adafruit_register.i2c_bits` has one buffer for all registers of all devices of a process, filled before and read
#: after the bus is locked: two threads with a device each get each other's bytes. Whoever looks at such a device from a
#: thread holds this meanwhile. (The converter's driver does without that library.)
ONE_AT_A_TIME = threading.Lock()
