"""The test room: what stands in it, which floor is free, reachable, visible, the cells it is counted in."""
