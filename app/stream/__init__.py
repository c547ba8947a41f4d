"""From a source to whoever analyses it: the ring of newest frames and the acquisition thread."""
