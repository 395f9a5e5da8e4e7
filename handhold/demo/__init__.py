"""The example scenario as folders: devices of our own, evenings of play, a lost save, a second handheld.

>>> from handhold.demo.build import build, play_evening
>>> built = build(folder)                                           # doctest: +SKIP
>>> play_evening(built, 1).told                                     # doctest: +SKIP
'An evening with Lamplighter.'
"""
