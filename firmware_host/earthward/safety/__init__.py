"""Limits with their clauses, permissives, interlock state machine, cautions. Pure."""
