"""The needle by ear: what is heard while the eyes are on the drive."""
