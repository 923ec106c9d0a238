"""The version, as files and pages state it."""

VERSION = "0.5.0"
