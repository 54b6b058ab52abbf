"""The service over HTTP: a JSON interface, live events, and the field page where it is installed."""
