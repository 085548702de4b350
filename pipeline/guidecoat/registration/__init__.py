"""Two scans into one frame, and the mirror plane of one."""

from .mirror_plane import MirrorPlane, find_mirror_plane, mirror_plane_amid, reflect
from .picked import held_by_pairs
from .registering import register
from .result import Registration, Start, WeakDirection, remedy_words, require_observable
from .rigid import umeyama
from .settings import RegistrationSettings

__all__ = [
    "MirrorPlane",
    "Registration",
    "RegistrationSettings",
    "Start",
    "WeakDirection",
    "find_mirror_plane",
    "held_by_pairs",
    "mirror_plane_amid",
    "reflect",
    "register",
    "remedy_words",
    "require_observable",
    "umeyama",
]
