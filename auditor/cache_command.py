"""`auditor cache`: what is kept of files that were played, and how to be rid of it."""

from __future__ import annotations

import click

from auditor.command_line import say, stop


@click.command("cache", short_help="Show or clear what is kept of files that were played.")
@click.option("--clear", is_flag=True, help="Remove all of it.")
def cache_command(clear: bool) -> None:
    """Show where results of decoding are kept for the next run, and how much they take.

    What came through amplifier and crossover is kept, so that another lamp, pad or driver (but for its impedance, and
    what its excursion follows from) is judged without decoding. The folder is removed, or its oldest parts, without
    harm at any time.
    """
    from auditor.errors import AuditorError
    from auditor.store.store import default_vault

    try:
        vault = default_vault(tell=say)
        before = vault.holding()
        if clear:
            vault.clear()
    except AuditorError as error:
        stop(str(error))
    except OSError as error:
        stop(f"{error.filename}: cannot be removed: {error.strerror or error}")
    held = f"{before.records} records, {before.bytes / 1e6:.1f} MB"
    if clear:
        click.echo(f"{vault.folder}: removed {held}")
    elif vault.limit_bytes > 0:
        click.echo(f"{vault.folder}: {held} of at most {vault.limit_bytes / 1e6:.0f} MB")
    else:
        click.echo(f"{vault.folder}: {held}; nothing new is kept (AUDITOR_CACHE_MB is 0)")
