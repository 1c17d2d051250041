"""Practice on virtual pools: which pools, what a person did, what it is worth, and what would have been better."""
