"""The numbers: pure functions on plan arrays and polygons, no pixels and no files."""
