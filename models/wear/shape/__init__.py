"""Whether linings wear in a straight line, and a scale of thickness on which they do."""
