"""One visit's record, kept: store, sensitivity test, current steps, level logs."""
