"""What many measurements say together: the bench's own drift, the scatter of a model, the choice from the stock."""
