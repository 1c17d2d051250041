"""Waveforms, sample clock, lock-in, mains tracking, listening scan, polarity. Pure."""
