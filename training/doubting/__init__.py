"""Labels that may be wrong: what all other labels say of each."""
