"""Putting the daemon on a Raspberry Pi: what to change on the system, as data, and how to carry it out."""
