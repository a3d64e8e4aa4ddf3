"""The bench sheets' facts, one module per procedure of the same name."""
