"""From what fails to likely causes: what explains all readings, and what to measure next."""
