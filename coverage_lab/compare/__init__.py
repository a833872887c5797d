"""Many runs' numbers side by side. Reads what was measured; knows no pixels and no files."""
