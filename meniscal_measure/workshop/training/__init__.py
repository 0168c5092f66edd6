"""Training of the two small networks on synthetic knees made in batches on the GPU.

Needs PyTorch (the `train` extra). Nothing here is imported when a knee is measured.
"""
