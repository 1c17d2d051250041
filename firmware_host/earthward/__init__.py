"""Earthward: find where current leaves a vinyl-lined pool, say how sure, and account for it."""

__version__ = "0.1.0"
