"""The console command: what it imports takes long enough for a Ctrl-C."""

from barerail import stopping


def main() -> None:
    """Do what the command line says."""
    stopping.listen()
    try:
        from barerail.cli import main as commands

        commands()
    except BaseException as error:
        if isinstance(error, SystemExit) or not (stopping.asked() or isinstance(error, KeyboardInterrupt)):
            raise
        stopping.say()
        raise SystemExit(stopping.CODE) from error
    finally:
        stopping.deaf()


if __name__ == "__main__":
    main()
