"""The command line: one file for each group of commands. ``main.run`` is where it starts."""
