"""Reads files of a device into an archive.

>>> with Intake(writer) as intake:   # doctest: +SKIP
...     for about, content in intake.read(jobs):
"""
