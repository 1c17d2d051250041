"""The daemon: wiring, recorder, survey store, client socket."""
