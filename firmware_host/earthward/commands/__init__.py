"""One module for each subcommand of the earthward command."""
