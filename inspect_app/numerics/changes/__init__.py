"""Changes of light in films and logs: what switches, when its change begins, and the lag of one behind another."""
