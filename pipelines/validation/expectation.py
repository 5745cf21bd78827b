"""The expectation that a table's rules are judged by; it loads slowly, so it is loaded where it is first needed."""

from typing import Any, ClassVar

import great_expectations.expectations as gxe


class ExpectNoRuleToBeBroken(gxe.UnexpectedRowsExpectation):
    """That a query finds no rows, asked once: the stock expectation runs it again to count what it found."""

    metric_dependencies: ClassVar[tuple[str, ...]] = ("unexpected_rows_query.table",)

    def _validate(self, metrics: dict[str, Any], *others: Any, **named: Any) -> Any:
        """Count the rows that were fetched."""
        counted = {"unexpected_rows_query.row_count": len(metrics["unexpected_rows_query.table"])}
        return super()._validate(metrics | counted, *others, **named)
