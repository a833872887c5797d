"""The only parsers and writers of our files: nights, run sheets, rooms, lenses and results."""
