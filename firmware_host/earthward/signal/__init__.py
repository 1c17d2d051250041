"""Waveforms, sample clock, lock-in, mains tracking, band scan, polarity. Pure."""
