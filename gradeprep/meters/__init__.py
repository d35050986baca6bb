"""The built-in meters: how many stops over a plate is."""
