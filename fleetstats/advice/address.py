"""Addresses: one trip serves all sites at one address."""

import polars as pl


def with_address(sites: pl.DataFrame) -> pl.DataFrame:
    """Return the sites with `address`, the same for all that one trip serves.

    Parameters
    ----------
    sites : polars frame
        site_id; optional address_id (null = an address of its own).
    """
    address = pl.lit("s ") + pl.col("site_id").cast(pl.String)
    if "address_id" in sites.columns:
        address = pl.coalesce(pl.lit("a ") + pl.col("address_id").cast(pl.String), address)
    return sites.with_columns(address=address)
