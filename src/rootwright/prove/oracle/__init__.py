"""The concrete oracle: a second, plainer explorer for tiny grounds, written apart from the first to check it."""

from rootwright.prove.oracle.replay import replay
from rootwright.prove.oracle.search import explore_concretely
from rootwright.prove.oracle.state import OracleFailure, OracleLevel, OracleVerdict

__all__ = ["OracleFailure", "OracleLevel", "OracleVerdict", "explore_concretely", "replay"]
