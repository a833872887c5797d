"""Pictures for the reviewer: draws what other parts computed, computes nothing itself."""
