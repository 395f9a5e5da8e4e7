"""What a run that nobody watches needs: a schedule, a log, and a way to tell its owner of trouble."""
