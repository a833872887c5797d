"""Robots side by side: charts and one page, drawn from what was compared."""
