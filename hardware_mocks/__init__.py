"""Simulated hardware that ships with Stopwright: a camera before a garden fountain, and hands to work it.

The camera speaks PTP over TCP/IP on the loopback address, so that the real camera library drives it. Its optics are
written independently of ``plans``: the two agree only where both are right.
"""
