"""Where a plate's light ends: ceilings of the recording, of the sensor, and what was lost there."""
