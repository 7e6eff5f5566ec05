"""The mapping engine: from touches and a drawing to a proven program; pure functions, no state."""
