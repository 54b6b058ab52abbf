"""The pure half of Stopwright: goals in, a plan out.

Nothing here reads a file, a clock or a camera. The same brief, capabilities and light give byte for byte the same plan.
"""
