"""The four pages: a context in, a whole HTML document out. Pure: no clock, no file beyond the templates."""

from dashboards.contexts import AlertContext, FleetContext, HomeContext, SiteContext

__all__ = ["render_alert", "render_fleet", "render_home", "render_site"]


def render_fleet(context: FleetContext) -> str:
    """Who needs me today, and why?"""
    raise NotImplementedError


def render_site(context: SiteContext) -> str:
    """What is this house doing, and how do you know?"""
    raise NotImplementedError


def render_alert(context: AlertContext) -> str:
    """What is wrong, what do I check, did my repair work?"""
    raise NotImplementedError


def render_home(context: HomeContext) -> str:
    """Is it working, and what did I save?"""
    raise NotImplementedError
