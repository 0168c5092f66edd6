"""The workshop: synthetic knees with known truth, and the training of the networks."""
