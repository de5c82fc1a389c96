"""The JSON of how a figure is known, as OpenAPI describes it."""

from typing import Literal

from pydantic import BaseModel, Field

from api.schemas import FigureOut

__all__ = ["ExplainedOut"]


class NumberOut(BaseModel):
    """A number as a value, and as it is shown; it goes into the sums as shown."""

    value: float | None = Field(description="In `unit`")
    unit: str
    shown: str
    is_exact: bool = Field(description="Stated, not rounded")


class InputOut(NumberOut):
    name: str
    source: str = Field(description="A point, the site file, a fluid table, or the path of another figure")


class StepOut(NumberOut):
    what: str
    expression: str = Field(description="Numbers with units and + − × ÷ ( ) √, for a calculator")
    text: str


class TableOut(BaseModel):
    title: str
    columns: list[str]
    rows: list[list[str]]
    note: str = Field(description="How a row is worked out")


class WorkingOut(BaseModel):
    inputs: list[InputOut]
    tables: list[TableOut]
    steps: list[StepOut] = Field(description="In order; the last one's value is the figure")
    remarks: list[str] = Field(description="Gaps, stand-ins, days that are not known")


class DoubtOut(BaseModel):
    source: str
    standard_uncertainty: float = Field(description="In the figure's unit")
    shown: str
    part_of_variance: float
    errs: Literal["alike every day", "anew every day", "at the days' ends"]
    expression: str = Field(description="The sum that gives it, for a calculator; empty where a table does")
    because: str = Field(description="Why there is doubt, and what the numbers of the sum are")


class IntervalStepOut(BaseModel):
    what: str
    expression: str
    value: float
    unit: str
    shown: str
    text: str


class IntervalOut(BaseModel):
    quotients: list[IntervalStepOut] = Field(description="What named numbers in the sources' sums come from")
    hints: list[str] = Field(description="How the sources' sums are read")
    steps: list[IntervalStepOut] = Field(description="± = k × the root of the sum of squares")
    note: str = Field(description="Where k comes from")


class PointOut(BaseModel):
    quantity: str
    unit: str
    sampling: str
    interval_s: float
    accuracy: str
    gain: float
    offset: float


class ExplainedOut(FigureOut):
    """A figure of a day, or of days added up, with all that it was made of."""

    site: str
    day: str = Field(description="Local day, or the name of a week, month or year")
    figure: str = Field(description="Its path")
    label: str
    how: str = Field(description="The formula in words")
    units_note: str = Field(description="A sentence where the house's pages show other units than these amounts")
    points: dict[str, PointOut]
    working: WorkingOut | None = Field(description="null where the figure is not known")
    doubt: list[DoubtOut] = Field(description="The largest first")
    interval: IntervalOut | None
    changed: str = Field(description="A sentence where the readings of now give another figure")
    notes: list[str]
    days: int = Field(default=1, description="Days that it is of")
    known: int = Field(default=1, description="Of them, those with a ledger")
