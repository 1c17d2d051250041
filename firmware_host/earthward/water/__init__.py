"""Evaporation, level log and bucket test, hole flow, water budget. Pure."""
