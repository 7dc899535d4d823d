"""Pages and the parts they are made of."""
