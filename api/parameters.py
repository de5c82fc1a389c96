"""Parameters of an address that it does not know: a mistyped one would ask for something else without a word."""

from fastapi import Request

from api.errors import RequestError

__all__ = ["refuse_unknown_parameters"]


def refuse_unknown_parameters(request: Request) -> None:
    """
    Let a request of the JSON through whose parameters its address takes, by what the OpenAPI document says.

    Raises:
        RequestError: If there is one that it does not take.
    """
    by_method = request.app.openapi()["paths"].get(request.scope["route"].path, {})
    told = by_method.get(request.method.lower())
    if told is None or not request.url.path.startswith("/api/"):
        return
    taken = [parameter["name"] for parameter in told.get("parameters", ()) if parameter["in"] == "query"]
    for name in request.query_params:
        if name not in taken:
            takes = f"it takes {', '.join(taken)}" if taken else "it takes none"
            raise RequestError(f"{name} is no parameter of this address; {takes}")
