"""The command line: one file for each group of commands. ``entry.main`` is where it starts."""
