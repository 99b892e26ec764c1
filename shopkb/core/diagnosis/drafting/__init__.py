"""A first draft of a procedure, laid out from its circuit."""
