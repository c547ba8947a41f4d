"""Steps by wire: something that can step the drive, asked over a line of text."""
