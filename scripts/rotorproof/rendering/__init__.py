"""From results to figures, PDF and register. Computes nothing."""
