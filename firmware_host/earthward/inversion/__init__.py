"""Stations, location of sinks, budget, coverage, next station. Pure."""
