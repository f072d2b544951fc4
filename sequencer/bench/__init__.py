"""One lamp on a table, before it goes under water: does it do what its datasheet says?

:mod:`.stand` is what every run needs of the table, whatever stands on it; :mod:`.simulated` is one in virtual
time. Runs are step machines over plain values, driven by a thin loop that owns the stand, so that each may
be broken off after any answer and taken up again.
"""
