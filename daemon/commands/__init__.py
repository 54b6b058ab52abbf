"""The commands, a module a family; ``daemon.cli`` ties them together."""
