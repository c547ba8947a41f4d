"""The Qt dashboard: paints what a session shows, and knows no source."""
