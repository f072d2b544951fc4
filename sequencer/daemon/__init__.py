"""The shell around the core: it owns threads, signals, the relay at rest and the word to systemd."""
