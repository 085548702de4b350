"""The one exception tree. Every message gives the value, the limit and the remedy."""


class GuidecoatError(Exception):
    """Something the user can mend. `exit_code` is what the command line leaves with."""

    exit_code = 1


class SettingsError(GuidecoatError):
    """Wrong usage or settings: an unknown key, an impossible value, an output folder in the way."""

    exit_code = 2


class ScanReadError(GuidecoatError):
    """A scan file cannot be read: not there, not a scan, cut short, a header that lies."""

    exit_code = 3


class ScanUnfitError(GuidecoatError):
    """A scan was read and is unfit for the job, with the reason and the remedy."""

    exit_code = 4


class UnitsError(ScanUnfitError):
    """What one unit of a scan is cannot be told from the scan alone."""


class FitError(ScanUnfitError):
    """A fair surface could not be laid on a scan that looked fit."""
