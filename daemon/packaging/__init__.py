"""What installs the service on a machine."""
