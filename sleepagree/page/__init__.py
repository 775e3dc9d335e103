"""The local page: a browser's view of the commands, served to this machine's owner alone."""
