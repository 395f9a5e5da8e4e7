"""Mending: what is hurt in an archive is written anew from whatever still has it."""
