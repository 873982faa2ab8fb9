"""`lapcell demo`: build the invented cell and open the screens on it."""

import os
import shutil
import socket
import sys
import tempfile
import threading
import time
import webbrowser
from pathlib import Path

import click

from spc.cli import DONE
from spc.commands.output import counted, print_json, progress_bar

__all__ = ["command"]


@click.command("demo")
@click.option("--keep", type=click.Path(path_type=Path), help="Build it in this folder and leave it there.")
@click.option("--no-serve", is_flag=True, help="Build it and stop; needs --keep.")
@click.option("--no-browser", is_flag=True, help="Do not open a browser.")
@click.option("--port", type=click.IntRange(1, 65535), default=8501, show_default=True, help="Port of the screens.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
@click.pass_context
def command(
    ctx: click.Context, *, keep: Path | None, no_serve: bool, no_browser: bool, port: int, as_json: bool
) -> None:
    """Build the demonstration, an invented cell with planted stories, and open the screens on it.

    Without --keep it lives in a temporary folder and what you change there is gone when you stop it. With --json one
    document: invented (true), store, settings, files (name, rows, faces, repeats, events, quarantined, doubles).
    """
    if no_serve and keep is None:
        raise click.UsageError("--no-serve needs --keep DIR, else nothing would be left")
    folder = keep if keep is not None else Path(tempfile.mkdtemp(prefix="lapcell-demo-"))
    try:
        _build_and_serve(ctx, folder, serve=not no_serve, browser=not no_browser, port=port, as_json=as_json)
    finally:
        if keep is None:
            shutil.rmtree(folder, ignore_errors=True)


def _build_and_serve(ctx: click.Context, folder: Path, *, serve: bool, browser: bool, port: int, as_json: bool) -> None:
    from demo_data.scenario import build
    from spc.board.ahead import forecast_beside
    from spc.board.board import Board
    from spc.settings import load_settings

    with progress_bar("building the invented cell") as bar:
        try:
            made = build(folder, progress=bar)
            board = Board(made.store_path, load_settings(made.settings_path))
            helper = None if board.made else forecast_beside(made.store_path, made.settings_path)
            board.shift()  # kept for the first page
            if helper is not None:
                helper.wait()
        except (ValueError, OSError) as error:
            click.echo(f"lapcell: {error}", err=True)
            raise SystemExit(3) from None
    faces = sum(result.faces for result in made.intakes)
    files = [
        {name: getattr(r, name) for name in ("name", "rows", "faces", "repeats", "events", "quarantined", "doubles")}
        for r in made.intakes
    ]
    if as_json:
        document = {"invented": True, "store": made.store_path, "settings": made.settings_path, "files": files}
        print_json({k: str(v) if isinstance(v, Path) else v for k, v in document.items()})
    else:
        click.echo(f"An invented cell: {counted(faces, 'face')} from {counted(len(files), 'file')}; no shop is meant.")
        if not serve:
            click.echo(f"Store: {made.store_path}\nSettings: {made.settings_path}")
    sys.stdout.flush()
    if not serve:
        raise SystemExit(DONE)
    if browser:
        threading.Thread(target=_open_when_there, args=(port,), daemon=True).start()
    from spc.commands.serve import command as screens

    ctx.invoke(screens, store_path=made.store_path, settings_path=made.settings_path, as_json=False, port=port)


def _open_when_there(port: int) -> None:
    """Open a browser once the screens answer; a machine without a desktop has none to open."""
    if sys.platform.startswith("linux") and not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        return
    for _ in range(100):
        with socket.socket() as probe:
            probe.settimeout(0.2)
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                webbrowser.open(f"http://localhost:{port}")
                return
        time.sleep(0.1)
