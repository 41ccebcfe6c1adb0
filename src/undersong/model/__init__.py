"""Values only: what passes between the stages. Imports nothing but `errors` and the standard library."""
