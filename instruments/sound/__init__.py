"""A sound input as a source, by way of PortAudio."""
