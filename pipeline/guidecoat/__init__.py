"""guidecoat: where a scanned vehicle panel stands above or below its fair surface."""

__version__ = "0.1.0"
