"""One lamp as a pure timed automaton: what it certainly does, and what it may do."""
