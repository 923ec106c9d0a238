"""The plan of a small insert, for the tests of this folder."""

from tests.plan_fixtures import plan_document, unflushed

__all__ = ["plan_document", "unflushed"]
