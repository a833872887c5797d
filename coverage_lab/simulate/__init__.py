"""Rooms, robots and exposures whose truth is known: sample frames, and the ground that tests stand on."""
