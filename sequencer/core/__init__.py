"""The daemon's decisions: events in, actions out; pure. Read :mod:`.events`, :mod:`.state`, :mod:`.step`."""
