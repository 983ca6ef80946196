"""The long run at load that nobody watches."""
