"""The version, as files and pages state it."""

VERSION = "0.6.0"
