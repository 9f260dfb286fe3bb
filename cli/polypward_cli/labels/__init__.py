"""Tags and labels: printed, and which specimen wore which tag from when to when."""
