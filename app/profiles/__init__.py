"""Drive classes, alignment disks and limits, kept as TOML."""

from app.profiles.files import ProfileError
from app.profiles.profile import SPECS, Profile, disk_names, load_profile, profile_names
from app.profiles.table import NOT_STATED, profile_as_text, profile_values, profiles_as_text
from app.profiles.windows import AlignmentWindow

__all__ = [
    "NOT_STATED",
    "SPECS",
    "AlignmentWindow",
    "Profile",
    "ProfileError",
    "disk_names",
    "load_profile",
    "profile_as_text",
    "profile_names",
    "profile_values",
    "profiles_as_text",
]
