"""Many runs: finding them, measuring them one after the other, and keeping what was found."""
