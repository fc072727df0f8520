"""Where everything in a bench folder lives, and how one is found."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from strandwise.errors import RequestError, UnitError, did_you_mean
from strandwise.records.alike import fold_name
from strandwise.records.field import PressureScale, field_named, shorten
from strandwise.records.fields import SETTINGS_FIELDS

__all__ = ["Bench", "CampaignFolder", "find_bench", "is_editors_copy", "shipped"]

_DATA = Path(__file__).resolve().parents[1] / "_shipped"
_CHECKOUT = Path(__file__).resolve().parents[3]


def shipped(name: str) -> Path:
    """Path of `shared` or `campaigns` as shipped: in the wheel, or in the checkout it runs from."""
    return (_DATA if _DATA.is_dir() else _CHECKOUT) / name


@dataclass(frozen=True, slots=True)
class CampaignFolder:
    """Paths of one campaign.

    Parameters
    ----------
    bench
        The bench folder.
    name
        Of the campaign, which is its folder's name.
    """

    bench: Path
    name: str

    @property
    def path(self) -> Path:
        """The campaign's folder."""
        return self.bench / "campaigns" / self.name

    @property
    def settings(self) -> Path:
        """`campaign.toml`."""
        return self.path / "campaign.toml"

    @property
    def formulations(self) -> Path:
        """`formulations.toml`."""
        return self.path / "formulations.toml"

    @property
    def own_ingredients(self) -> Path:
        """The campaign's own `ingredients.toml`, which may be absent."""
        return self.path / "ingredients.toml"

    @property
    def own_instruments(self) -> Path:
        """The campaign's own `instruments.toml`, which may be absent."""
        return self.path / "instruments.toml"

    @property
    def batches(self) -> Path:
        """`batches.csv`."""
        return self.path / "batches.csv"

    @property
    def strands(self) -> Path:
        """`strands.csv`."""
        return self.path / "strands.csv"

    @property
    def firings(self) -> Path:
        """Folder of the firings' files."""
        return self.path / "firings"

    @property
    def traces(self) -> Path:
        """Folder of the raw logger files."""
        return self.path / "traces"

    @property
    def motors(self) -> Path:
        """Folder of the motors' files, which may be absent."""
        return self.path / "motors"

    def motor_files(self) -> list[Path]:
        """The motors' files, sorted; none where the folder cannot be read."""
        try:
            entries = sorted(self.motors.iterdir())
        except OSError:
            return []
        files = (path for path in entries if path.suffix.lower() == ".toml")
        return [path for path in files if not is_editors_copy(path)]

    def motor(self, named: Path) -> Path | None:
        """A motor's file: the path as it stands, else a name in `motors`; None: there is none."""
        kept = self.motors / named
        alike = [path for path in self.motor_files() if path.stem == str(named)]
        return next((path for path in (named, kept, *alike) if path.is_file()), None)

    @property
    def lock(self) -> Path:
        """File that writers lock."""
        return self.path / ".write.lock"

    def firing(self, test: str) -> Path:
        """File of one firing."""
        return self.firings / f"{test}.toml"

    def shown(self, path: Path) -> str:
        """Name of a file for people: relative to the bench folder, with forward slashes."""
        try:
            return path.relative_to(self.bench).as_posix()
        except ValueError:
            return path.name


def is_editors_copy(path: Path) -> bool:
    """Say whether a file is a hidden one or one that an editor keeps beside another."""
    return path.name.startswith((".", "~")) or path.name.endswith("~")


@dataclass(frozen=True, slots=True)
class Bench:
    """A bench folder: `campaigns/` and the tables that they share.

    Parameters
    ----------
    path
        Of the folder.
    """

    path: Path

    @property
    def ingredients(self) -> Path:
        """Table of ingredients shared by the campaigns."""
        return self.path / "shared" / "ingredients.toml"

    @property
    def instruments(self) -> Path:
        """Table of instruments shared by the campaigns."""
        return self.path / "shared" / "instruments.toml"

    def campaign_names(self) -> list[str]:
        """Names of the campaigns, sorted."""
        folder = self.path / "campaigns"
        try:
            # A name with a dot before it is a campaign in the making.
            return sorted(
                entry.name
                for entry in folder.iterdir()
                if not entry.name.startswith(".") and (entry / "campaign.toml").exists()
            )
        except OSError:
            return []

    def new_campaign(self, name: str) -> CampaignFolder:
        """Folder of a campaign that need not exist.

        Raises
        ------
        RequestError
            `name` cannot be a folder's name.
        """
        field = field_named(SETTINGS_FIELDS, "baseline")
        assert field is not None
        try:
            field.parse(name, PressureScale())
        except UnitError as error:
            msg = f"`{shorten(name)}` cannot be a campaign's name"
            raise RequestError(msg, expected=error.expected) from error
        other = next((n for n in self._names() if fold_name(n) == fold_name(name)), name)
        if other != name:
            msg = f"the campaign `{shorten(name)}` differs from `{other}` only in capitals"
            raise RequestError(
                msg,
                expected="a name that every file system can tell from the others",
                hint=f"did you mean `{other}`? If not, choose another name; nothing was changed",
            )
        return CampaignFolder(self.path, name)

    def _names(self) -> list[str]:
        """Names of everything in `campaigns/`."""
        try:
            return sorted(entry.name for entry in (self.path / "campaigns").iterdir())
        except OSError:
            return []

    def campaign(self, name: str) -> CampaignFolder:
        """Folder of an existing campaign, by its name or by `campaigns/NAME`.

        Raises
        ------
        RequestError
            There is no such campaign.
        """
        plain = name.rstrip("/\\")
        for prefix in ("campaigns/", "campaigns\\", "./campaigns/"):
            plain = plain.removeprefix(prefix)
        known = self._names()
        # Two campaigns may have come from a machine that tells capitals apart.
        folder = CampaignFolder(self.path, plain) if plain in known else self.new_campaign(plain)
        if not folder.path.is_dir():
            names = self.campaign_names()
            msg = f"there is no campaign `{shorten(plain)}` in {self.path / 'campaigns'}"
            listed = ", ".join(names) if names else "none yet"
            close = did_you_mean(plain, names)
            hint = f"campaigns here: {listed}; `strandwise new {shorten(plain)}` makes a new one"
            raise RequestError(msg, hint=f"{close} {hint[0].upper()}{hint[1:]}" if close else hint)
        return folder


def find_bench(start: Path, *, stated: Path | None = None) -> Bench:
    """Return the bench folder at or above `start`, or the stated one.

    Raises
    ------
    RequestError
        No folder there has a `campaigns` folder in it.
    """
    if stated is not None:
        if (stated / "campaigns").is_dir():
            return Bench(stated.resolve())
        what = "no folder `campaigns` in it" if stated.is_dir() else "not a folder"
        msg = f"{stated} is no bench folder: {what}"
        raise RequestError(msg, hint=f"`strandwise init {stated}` makes one")
    for folder in (start, *start.parents):
        if (folder / "campaigns").is_dir():
            return Bench(folder)
    msg = f"there is no bench folder at or above {start}"
    raise RequestError(
        msg,
        expected="a folder with `campaigns` in it",
        hint="go to one, name it with `--bench DIR`, or make one with `strandwise init DIR`",
    )
