"""Drawing a colour card: one list of shapes, painted as a picture and as a page for printing."""
