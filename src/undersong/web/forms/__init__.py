"""Forms she fills in, read into values of the model; what the tables do not have is told, with its remedy."""
