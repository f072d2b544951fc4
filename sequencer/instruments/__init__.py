"""What stands on the bench besides lamp and relay: eyes and a supply, each driver beside its simulated twin."""
