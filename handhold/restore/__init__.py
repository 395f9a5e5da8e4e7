"""Restore: what would be written where and why (the plan), doing it safely, and taking it back.

>>> wishes = prepare(archive, device, layouts, snapshot, ...)   # doctest: +SKIP
>>> steps = plan(wishes, ...)                                   # doctest: +SKIP
>>> apply(archive, device, steps, ...)                          # doctest: +SKIP
"""
