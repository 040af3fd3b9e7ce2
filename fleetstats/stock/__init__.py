"""Stock: renewals of one component over time, the parts that the months ahead take, and what to order."""

from fleetstats.stock.demand import DemandForecast, monthly_demand
from fleetstats.stock.orders import order_schedule
from fleetstats.stock.renewals import renewals

__all__ = ["DemandForecast", "monthly_demand", "order_schedule", "renewals"]
