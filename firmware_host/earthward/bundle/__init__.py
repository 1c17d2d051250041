"""One file of a visit or a bench session that says the same elsewhere: recording, survey, calibration, versions."""
