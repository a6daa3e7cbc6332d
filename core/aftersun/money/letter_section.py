"""Section [letter] of the company file: how the company writes. :mod:`aftersun.money.letterhead` makes it ready."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

Lines = Annotated[tuple[str, ...], Field(strict=False, max_length=12)]


class LetterSection(BaseModel):
    """[letter] How the company writes to its customers; whatever is left out has a plain default."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)

    address: Lines = Field(default=(), description="lines of text in a list")
    contact: Lines = Field(default=(), description="lines of text in a list: telephone, e-mail, registration")
    closing: Lines = Field(default=(), description="lines of text in a list: the small print at the foot")
    logo: str = Field(default="", description="path of a PNG, JPEG or SVG picture, beside this file")
    accent_colour: str = Field(
        default="#2b5a66",
        pattern="^#[0-9A-Fa-f]{6}$",
        description='a colour as # and six digits 0 to 9 or a to f, for example "#2b5a66"',
    )
    paper: Literal["a4", "letter"] = Field(default="a4", description='"a4" or "letter"')
    language: str = Field(default="", description="path of a language file (TOML), beside this file; empty = English")
    decimal_mark: Literal[".", ","] = Field(default=".", description='"." or ","')
    thousands_mark: str = Field(default=",", max_length=1, description="one character, or empty for none")
    date_format: str = Field(default="%d %B %Y", min_length=1, max_length=40, description='for example "%d.%m.%Y"')
    currency_first: bool = Field(default=False, description="true or false: does the currency stand before the amount?")
    valid_days: int = Field(default=30, ge=1, le=730, description="whole days that an offer holds")
    most_options: int = Field(default=2, ge=1, le=4, description="options of a letter beside doing nothing")

    @field_validator("date_format")
    @classmethod
    def _writes_a_day(cls, value: str) -> str:
        two_days = date(2026, 3, 4), date(2027, 5, 6)
        if len({day.strftime(value) for day in two_days}) < len(two_days):
            raise ValueError('does not write day, month and year; write for example "%d.%m.%Y"')
        return value

    @field_validator("thousands_mark")
    @classmethod
    def _is_no_digit(cls, value: str) -> str:
        if value.isalnum() or value in ("-", "+"):
            raise ValueError("would be read as a part of the number; write a comma, a point, a space, or nothing")
        return value

    @model_validator(mode="after")
    def _marks_differ(self) -> LetterSection:
        if self.decimal_mark == self.thousands_mark:
            raise ValueError("decimal_mark and thousands_mark are the same; one number could be read as another")
        return self
