"""The ward: the folder that keeps everything polypward knows of the specimens in its care."""

from polypward_cli.ward.ward import Ward

__all__ = ["Ward"]
