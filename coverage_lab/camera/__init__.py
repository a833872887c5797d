"""The camera over the floor: its lens, where it hangs, and how well both are known."""
