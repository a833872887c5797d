"""Coverage Lab: overhead long-exposure photographs of cleaning robots, turned into defensible numbers."""

__version__ = "0.1.0"
