import typer


def join(app: typer.Typer) -> None: ...
def selection(emulator, part, game):
    from handhold.cli.session import part_named
    from handhold.restore.select import Selection

    return Selection(tuple(emulator or ()), tuple(part_named(p) for p in part or ()), tuple(game or ()))
