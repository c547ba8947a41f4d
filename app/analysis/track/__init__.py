"""Other tracks than the radial one, and the spindle: bursts, what is written, speed."""
