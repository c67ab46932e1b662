"""Files in, live station out: the layer that knows everything below."""
