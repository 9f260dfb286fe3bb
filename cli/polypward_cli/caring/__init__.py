"""Feedings, treatments, inspections and how places stand: what the ward keeps of them."""
