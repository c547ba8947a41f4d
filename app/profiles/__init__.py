"""Drive classes, alignment disks and limits, kept as TOML."""

from app.profiles.profile import Profile, ProfileError, load_profile, profile_names

__all__ = ["Profile", "ProfileError", "load_profile", "profile_names"]
