"""Pictures: one whole, checked decode to linear light."""
