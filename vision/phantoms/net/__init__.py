"""The network of the tissue model: its tiles, its disturbances, its network, its training.

Needs PyTorch and a GPU, which neither polypward nor its tests need.
"""
