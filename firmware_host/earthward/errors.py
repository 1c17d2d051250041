"""Errors a person can act on."""


class InputError(Exception):
    """Bad input. The message is one sentence: what is wrong, where, and what to do. The CLI exits with 2."""
