"""How refreshes run that Prefect records."""

from __future__ import annotations

from pydantic import Field

from pipelines.settings_base import Strict


class PrefectSettings(Strict):
    """How refreshes run that Prefect records."""

    step_timeout_seconds: int = Field(
        21600,
        ge=1,
        le=2_592_000,
        description="A try of a step that takes longer is stopped, and the refresh fails. The default is 6 hours.",
    )
    dashboard: bool = Field(
        False,
        description="Whether the workspace's Prefect server serves Prefect's dashboard as well, to this machine alone; they ask for the secret in .prefect/server.json. Its pages come "
        "from the installed package, but what they load does not (read in the source of Prefect 3.9.1): pages about blocks and "
        "integrations load logos from raw.githubusercontent.com and images.ctfassets.net; pages about work pools and collections of flows have the server fetch "
        "lists from raw.githubusercontent.com; the form to join a mailing list is sent to getform.io. Usage reports to amplitude.com stay off.",
    )
