"""What the record says of one surgeon, set beside the unit: for a mirror, never for a verdict."""

from outcomes.own.funnel import FunnelPoint, FunnelResult, funnel_of

__all__ = ["FunnelPoint", "FunnelResult", "funnel_of"]
