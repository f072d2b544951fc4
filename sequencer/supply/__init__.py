"""Volts at every lamp, and what follows from them: pure.

Read it in the order of the data: :mod:`.conductors` and :mod:`.ampacity` (what a cable is), :mod:`.network`
(values), :mod:`.feed` (a circuit of a site as a network), :mod:`.solve` (its volts), :mod:`.ride_through` (what
volts do to a lamp's windows), :mod:`.advise` (which tap and cable), :mod:`.drawing`.
"""
