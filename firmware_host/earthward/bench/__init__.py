"""Proving parts on the bench: electrodes in a jar, cables, source, earth electrode, cell, and a tub as a small pool."""
