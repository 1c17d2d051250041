"""What every other room talks about, each concept defined once: reading, place, finding, event, board report, waveform.

Pure msgspec Structs without arrays. The wire, the store, the search, the display, the report and the emulation use
these and none of their own. Times named `t_s` are seconds of the host's monotonic clock, `time_s` seconds since
1970-01-01 UTC; points are (x, y, z) in metres, z depth positive down.
"""
