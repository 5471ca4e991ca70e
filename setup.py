"""`import stillroom`: the package of that name lies in logger/public, beside what it shows."""

from setuptools import find_packages, setup

setup(
    packages=[*find_packages(include=["logger*", "dashboard*"], exclude=["logger.public*"]), "stillroom"],
    package_dir={"stillroom": "logger/public"},
)
