"""What a model file is worth in gardens it never saw, and how much harm it can do there."""
