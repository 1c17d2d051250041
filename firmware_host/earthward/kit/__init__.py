"""Proving a kit right: calibration and acceptance. Pure: values go in, values and sentences come out."""
