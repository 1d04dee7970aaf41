"""Tables laid out otherwise than in rows of one visit → such rows, before headings are read."""
