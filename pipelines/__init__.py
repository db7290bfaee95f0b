"""kitfare's pipelines: from dropped price exports to published costs, savings, trends and pages."""

__version__ = "0.1.0"
