"""Two scans into one frame, and the mirror plane of one."""

from guidecoat.registration.mirror_plane import MirrorPlane, find_mirror_plane, reflect
from guidecoat.registration.registering import register
from guidecoat.registration.result import Registration, Start, WeakDirection, require_observable
from guidecoat.registration.rigid import umeyama
from guidecoat.registration.settings import RegistrationSettings

__all__ = [
    "MirrorPlane",
    "Registration",
    "RegistrationSettings",
    "Start",
    "WeakDirection",
    "find_mirror_plane",
    "reflect",
    "register",
    "require_observable",
    "umeyama",
]
