"""The Quarry Lane lido at dusk: the planner and the simulated pad, told as a story.

:mod:`.story` says what a story is made of, :mod:`.tell` makes it (pure but for the chance in its seed),
:mod:`.strip` lays a stretch of time out in columns, :mod:`.plain` and :mod:`.coloured` show it,
:mod:`.picture` draws it for the README.
"""
