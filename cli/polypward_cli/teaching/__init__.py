"""Correcting tissue maps by hand, and what the ward's own model learns from them."""
