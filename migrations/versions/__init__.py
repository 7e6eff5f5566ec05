"""The migrations, first to last."""
