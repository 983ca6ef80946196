"""Pure numerics on records and readings; imports nothing else of the project."""
