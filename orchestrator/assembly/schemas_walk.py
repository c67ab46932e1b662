"""From models to JSON Schema, so that an editor knows what the loader knows.

Draft-07, because the YAML servers of editors understand it best; newer drafts only in parts. The
models are walked as they are: whoever adds a key adds it to the schema. What the walk doesn't
know how to describe it refuses, so that no kind of value passes unseen.

The loader reads every scalar as text, an editor reads ``5`` as a number and ``true`` as a truth
value (YAML 1.2, core schema). A schema says what an editor sees: ``5`` is as good as ``'5'``.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from datetime import date
from decimal import Decimal
from enum import Enum
from inspect import cleandoc
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, TypeAlias, Union, get_args, get_origin

from annotated_types import Ge, Le, MaxLen, MinLen
from pydantic import AfterValidator, BaseModel, BeforeValidator
from pydantic.fields import FieldInfo

from orchestrator.documents import Printable, WholeNumber, YesNo
from orchestrator.quantities import Quantity, QuantityField
from orchestrator.units import EXAMPLE, UNITS

Json: TypeAlias = dict[str, Any]
Shape: TypeAlias = Callable[[Json], Json]
Describe: TypeAlias = Callable[[type[BaseModel], str], str | None]
Special: TypeAlias = Callable[["Walk", Json], None]

TEXT: Json = {"type": ["string", "number", "boolean"]}
"""What the loader takes for a text: anything but nothing, a list or a mapping."""

_CONTROLS = r"\u0000-\u001f\u007f-\u009f\u2028\u2029"
_DATE = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$"
_BARE: Mapping[type, Json] = {
    str: TEXT,
    int: {"type": ["integer", "string"], "pattern": r"^[+-]?[0-9]{1,18}$"},
    bool: {
        "anyOf": [
            {"enum": ["yes", "no", True, False]},
            {"type": "string", "pattern": "^(true|false)$"},
        ]
    },
    Decimal: {"type": ["number", "string"], "pattern": r"^[+-]?[0-9.]+([eE][+-]?[0-9]+)?$"},
    date: {"type": "string", "pattern": _DATE, "examples": ["2027-03-31"]},
}


class Unknown(TypeError):
    """A model holds something that the walk has no schema for; says where."""


def quantity(span: QuantityField) -> Json:
    """The schema of a quantity: any number, the units of its dimension; the range in words."""
    units = [name for name, (its, _) in UNITS.items() if its is span.dimension]
    plain = [name for name in units if name.isascii()]
    known = "|".join(re.escape(name) for name in sorted(units, key=len, reverse=True))
    example = EXAMPLE[span.dimension]
    return {
        "type": "string",
        "pattern": rf"^[+-]?[0-9]+(\.[0-9]+)? ?({known})$",
        "patternErrorMessage": f"write a {span.dimension} such as '{example}' "
        f"({', '.join(plain)}), from {span.least} to {span.most}",
        "description": f"a {span.dimension} from {span.least} to {span.most}",
        "examples": [example],
    }


def as_is(schema: Json) -> Json:
    """For validators that change the value but not what may be written."""
    return schema


def text_of(schema: Json) -> Json:
    """For validators whose text any pattern would only half describe."""
    return dict(TEXT)


def one_or_list(schema: Json) -> Json:
    """An item where a list of them is allowed."""
    return {"anyOf": [schema["items"], schema]}


def matching(pattern: str, example: str) -> Shape:
    """A text of one form."""

    def shape(_: Json) -> Json:
        told = f"write it like '{example}'"
        return {
            "type": "string",
            "pattern": pattern,
            "patternErrorMessage": told,
            "examples": [example],
        }

    return shape


def printable(schema: Json) -> Json:
    """No control characters, no line breaks."""
    return {**schema, "pattern": f"^[^{_CONTROLS}]*$"}


def function_of(marked: Any) -> Any:
    """The function of the validator that a type or a mark carries."""
    marks = marked.__metadata__ if hasattr(marked, "__metadata__") else (marked,)
    (found,) = (m for m in marks if isinstance(m, BeforeValidator | AfterValidator))
    return found.func


HOUSE_SHAPES: Mapping[Any, Shape] = {
    function_of(YesNo): as_is,
    function_of(WholeNumber): as_is,
    function_of(Printable): printable,
}


class Walk:
    """Collects definitions while it goes from a model to all that it holds.

    Args:
        shapes: by validator function: what it makes of the schema of the type behind it.
        describe: the text for a key of a model; None where there is none.
        special: by model: what has to be changed in its schema, where keys depend on each other.
    """

    def __init__(
        self,
        shapes: Mapping[Any, Shape],
        describe: Describe,
        special: Mapping[type[BaseModel], Special],
    ) -> None:
        self._shapes = {**HOUSE_SHAPES, **shapes}
        self._describe, self._special = describe, special
        self.definitions: dict[str, Json] = {}
        self._names: dict[str, type[BaseModel]] = {}

    # ---- models ---------------------------------------------------------------------------------

    def ref(self, model: type[BaseModel]) -> Json:
        """A reference to a model, whose definition is made where it is met first."""
        name = model.__name__
        if self._names.setdefault(name, model) is not model:
            raise Unknown(f"two models of the name {name}")
        if name not in self.definitions:
            self.definitions[name] = {}  # met again within itself: a reference is enough
            self.definitions[name].update(self._model(model))
        return {"$ref": f"#/definitions/{name}"}

    def _model(self, model: type[BaseModel]) -> Json:
        if model.model_config.get("extra") != "forbid":
            raise Unknown(f"{model.__name__} takes unknown keys")
        properties = {
            field.alias or name: self._field(model, name, field)
            for name, field in model.model_fields.items()
        }
        schema: Json = {
            "type": "object",
            "description": paragraph(model),
            "properties": properties,
            "additionalProperties": False,
            "required": [f.alias or n for n, f in model.model_fields.items() if f.is_required()],
        }
        if model in self._special:
            self._special[model](self, schema)
        return schema

    def _field(self, model: type[BaseModel], name: str, field: FieldInfo) -> Json:
        key = field.alias or name
        try:
            schema = self.of(field.annotation, _marks(field))
        except Unknown as error:
            raise Unknown(f"{model.__name__}.{name}: {error}") from error
        told = self._describe(model, key) or field.description
        if told:
            # Draft-07 overlooks what stands beside a reference.
            schema = {"allOf": [schema]} if "$ref" in schema else dict(schema)
            schema.pop("examples", None)  # the text has its own
            schema["description"] = told
        return _with_default(schema, field)

    # ---- types ----------------------------------------------------------------------------------

    def of(self, annotation: Any, marks: Iterable[Any] = ()) -> Json:
        """The schema of a type with its marks. Raises Unknown."""
        outer = tuple(marks)
        if get_origin(annotation) is Annotated:
            base, *inner = get_args(annotation)
            flat = [m for mark in inner for m in _flat(mark)]
            return self.of(base, (*flat, *outer))
        spans = [mark for mark in outer if isinstance(mark, QuantityField)]
        if spans:
            return quantity(spans[-1])
        tag = next((m.key for m in outer if isinstance(m, _Tag)), None)
        schema = self._unmarked(annotation, tag)
        for mark in outer:
            schema = _bounded(schema, mark)
        for mark in reversed(outer):  # the outermost validator sees the text first
            if isinstance(mark, BeforeValidator | AfterValidator):
                schema = self._shape(mark)(schema)
        return schema

    def _shape(self, mark: BeforeValidator | AfterValidator) -> Shape:
        function: Any = mark.func
        if function in self._shapes:
            return self._shapes[function]
        if isinstance(mark, AfterValidator):
            return as_is  # it can only refuse more
        raise Unknown(f"no shape for what {function.__module__}.{function.__name__} takes")

    def _unmarked(self, annotation: Any, tag: str | None) -> Json:
        origin, arguments = get_origin(annotation), get_args(annotation)
        if origin in {Union, UnionType}:
            return self._union(arguments, tag)
        if origin is Literal:
            return {"enum": [w for word in arguments for w in as_written(str(word))]}
        if origin is tuple:
            return self._tuple(arguments)
        if origin is dict:
            return self._dict(*arguments)
        if annotation is Any:
            return {}
        if not isinstance(annotation, type):
            raise Unknown(f"the type {annotation!r}")
        if issubclass(annotation, BaseModel):
            return self.ref(annotation)
        if issubclass(annotation, Enum):
            return {"enum": [w for word in annotation for w in as_written(str(word.value))]}
        if annotation in _BARE:
            return dict(_BARE[annotation])
        if annotation is Quantity:
            return {"type": "string"}  # its validator's shape says the rest
        raise Unknown(f"the type {annotation.__name__}")

    def _union(self, members: tuple[Any, ...], tag: str | None) -> Json:
        some = [member for member in members if member is not NoneType]
        if len(some) == 1:
            return or_nothing(self.of(some[0]))
        if tag is None or len(some) != len(members):
            raise Unknown(f"a choice of {len(members)} types without a key that tells which")
        return self.tagged(some, tag)

    def tagged(self, models: Iterable[type[BaseModel]], tag: str) -> Json:
        """One of several models, told by a key. A chain of conditions, and not `oneOf`: so an
        editor says what is wrong with the one meant, and not that none of five fits."""
        cases = {
            str(word): self.ref(model)
            for model in models
            for word in get_args(model.model_fields[tag].annotation)
        }
        return {
            "type": "object",
            "properties": {tag: {"enum": list(cases)}},
            "required": [tag],
            "allOf": [
                {"if": {"properties": {tag: {"const": word}}, "required": [tag]}, "then": case}
                for word, case in cases.items()
            ],
        }

    def _tuple(self, arguments: tuple[Any, ...]) -> Json:
        if len(arguments) == 2 and arguments[1] is Ellipsis:
            return {"type": "array", "items": self.of(arguments[0])}
        items = [self.of(argument) for argument in arguments]
        return {
            "type": "array",
            "items": items,
            "minItems": len(items),
            "maxItems": len(items),
            "additionalItems": False,
        }

    def _dict(self, key: Any, value: Any) -> Json:
        held = self.of(value)
        names = self.of(key)
        if "enum" in names:  # so an editor can offer them
            properties = dict.fromkeys(names["enum"], held)
            return {"type": "object", "properties": properties, "additionalProperties": False}
        names.pop("type")  # a key is always text
        schema: Json = {"type": "object", "additionalProperties": held}
        return {**schema, "propertyNames": names} if names else schema


# ---- parts --------------------------------------------------------------------------------------


class _Tag:
    """Carries the key that tells the members of a union apart."""

    def __init__(self, key: str) -> None:
        self.key = key


def _marks(field: FieldInfo) -> tuple[Any, ...]:
    tag = field.discriminator
    return (*field.metadata, *([_Tag(tag)] if isinstance(tag, str) else []))


def _flat(mark: Any) -> tuple[Any, ...]:
    return _marks(mark) if isinstance(mark, FieldInfo) else (mark,)


def _bounded(schema: Json, mark: Any) -> Json:
    if isinstance(mark, Ge):
        return {**schema, "minimum": mark.ge}
    if isinstance(mark, Le):
        return {**schema, "maximum": mark.le}
    if isinstance(mark, MinLen | MaxLen):
        least, number = isinstance(mark, MinLen), _length(mark)
        of = {"array": "Items", "object": "Properties"}.get(str(schema.get("type")), "Length")
        return {**schema, f"{'min' if least else 'max'}{of}": number}
    return schema


def _length(mark: MinLen | MaxLen) -> int:
    return mark.min_length if isinstance(mark, MinLen) else mark.max_length


def or_nothing(schema: Json) -> Json:
    """A key may stand there with nothing behind it."""
    kind = schema.get("type")
    if "$ref" in schema or kind is None or "allOf" in schema:
        if "enum" in schema:
            return {**schema, "enum": [*schema["enum"], None]}
        return {"anyOf": [schema, {"type": "null"}]}
    return {**schema, "type": [*([kind] if isinstance(kind, str) else kind), "null"]}


def as_written(word: str) -> list[str | int]:
    """A word as an editor may see it: '7' is a number if nobody puts quotes around it."""
    return [word, int(word)] if re.fullmatch(r"0|[1-9][0-9]*", word) else [word]


def paragraph(model: type[BaseModel]) -> str:
    """The first paragraph of a model's docstring, in one line."""
    return " ".join(cleandoc(model.__doc__ or "").split("\n\n")[0].split())


def _with_default(schema: Json, field: FieldInfo) -> Json:
    """Scalars only: what an editor would put in."""
    default = field.default
    if not isinstance(default, bool | int | str | Quantity) or default == "":
        return schema
    told = {True: "yes", False: "no"}[default] if isinstance(default, bool) else str(default)
    if not told.isprintable():
        return schema
    return {**({"allOf": [schema]} if "$ref" in schema else schema), "default": told}
