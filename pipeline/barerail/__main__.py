from barerail.cli import main

main()
