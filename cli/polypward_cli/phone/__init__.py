"""The phone page: a small web server beside the tables, for one wet thumb.

Everything that changes the ward goes through `writer`, one thread that holds the ward's lock only
while it works. What came in by the network is kept by `inbox` before anything else is done with it.
"""
