"""The listening page: settings tried by ear, on this machine alone."""
