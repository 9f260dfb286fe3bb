"""``python -m phantoms.traced``, see `phantoms.traced.making`."""

from phantoms.traced.making import main

if __name__ == "__main__":
    main()
