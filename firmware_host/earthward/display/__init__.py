"""The Textual application; a client of the daemon and nothing else."""
