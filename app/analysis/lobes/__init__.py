"""From an envelope to a reading: the turn, the lobes, what recording they are of."""
