"""One module per screen: pure functions that write a snapshot on a `Paper`."""
