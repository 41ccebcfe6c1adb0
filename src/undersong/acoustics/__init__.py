"""Tables and formulae of pipes and rooms: no audio, no files."""
