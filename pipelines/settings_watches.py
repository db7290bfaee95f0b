"""Settings of watches, and of who hears of what: what to report after a refresh, and to whom."""

from __future__ import annotations

from decimal import Decimal
from typing import Literal

from pydantic import Field, model_validator

from pipelines.settings_base import ExactDecimal, Strict


class Watch(Strict):
    """Something to report after a refresh."""

    watch_code: str = Field(description="Short name for tables and messages.", examples=["crane_is_cheap"])
    kind: Literal["model_below", "line_scarce", "vendor_changes_model"] = Field(
        description="model_below: a model costs less than amount. line_scarce: an element of a model is hard to get. "
        "vendor_changes_model: one vendor's new prices, stock or terms change a model's cost.",
        examples=["line_scarce"],
    )
    model_codes: list[str] = Field([], description="The models to watch; empty: all.")
    buyer_codes: list[str] = Field([], description="The buyers to watch for; empty: all.")
    amount: ExactDecimal | None = Field(
        None, gt=0, description="model_below: report a complete cost below this, in the buyer's currency."
    )
    scenario_code: str = Field("cheapest", description="model_below: the scenario_code of the way of buying.")
    vendor_count: int = Field(
        2,
        ge=1,
        le=10_000,
        description="line_scarce: report an element that fewer vendors than this offer, that all together can't fill, or that is "
        "running out.",
    )
    change_pct: ExactDecimal = Field(
        Decimal(3),
        gt=0,
        description="vendor_changes_model: report a change in the model's cost of more than this, in per cent.",
    )

    @model_validator(mode="after")
    def _amount_is_given(self) -> Watch:
        if self.kind == "model_below" and self.amount is None:
            raise ValueError("a watch of the kind model_below needs an amount")
        return self


class WatchNews(Strict):
    """Where the results of watches go, besides the pages and those who hear of them."""

    file: str = Field(
        "",
        description="File to write the results to after each new refresh, as JSON; a path within the workspace. Empty: none.",
    )


NoticeKind = Literal["failed", "overdue", "watches"]


class Notify(Strict):
    """Who hears of what: a program or an address, and the kinds of news it gets."""

    about: list[NoticeKind] = Field(
        ["failed", "overdue", "watches"],
        min_length=1,
        description="failed: a refresh failed or was killed; not one that was started on a terminal, which shows it there. overdue: no "
        "refresh has succeeded for refresh.expected_every_hours. watches: a watch reports something new.",
    )
    command: list[str] = Field(
        [],
        description="Program and arguments to run. It gets the news as JSON on its standard input, starts in the workspace, and runs "
        "without a shell. What ends with another exit code than 0 is run again after each later refresh, until it ends with 0 once.",
        examples=[["sh", "-c", "cat >> heard.jsonl"]],
    )
    mail_to: str = Field(
        "",
        pattern=r"^([^\s<>,;:\x00-\x20-][^\s<>,;:\x00-\x20]*)?$",
        description="Address to write to instead, through the mailer of this machine.",
    )
    mailer: list[str] = Field(
        ["/usr/sbin/sendmail", "-i"],
        min_length=1,
        description="With mail_to: the mailer and its arguments; the address is added. It gets the mail on its standard input.",
    )
    seconds: int = Field(60, ge=1, le=3600, description="Seconds after which the program or the mailer is stopped.")

    @model_validator(mode="after")
    def _goes_somewhere(self) -> Notify:
        if bool(self.command) == bool(self.mail_to):
            raise ValueError("give either a command or mail_to")
        return self
