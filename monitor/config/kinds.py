"""The lists: which rules, wires, ways of delivery and tables a site file may hold.

A new rule, driver or way of delivery is its own file and one line here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache, reduce
from operator import or_
from types import GenericAlias, ModuleType
from typing import Annotated, Any

from pydantic import BaseModel, Field, create_model

from monitor.acknowledging.settings import PageSettings
from monitor.alive.settings import AllWell, Heartbeat, StatusTopic
from monitor.intake import (
    hand_settings,
    logger_settings,
    modbus_settings,
    modbus_tcp_settings,
    mqtt_settings,
    serial_settings,
)
from monitor.mirror import settings as mirror_settings
from monitor.notify import mail_server, settings, smtp, webhook
from monitor.plant import derived
from monitor.plant.model import Instrument, Person, Plant
from monitor.rules import (
    breakthrough,
    creep,
    difference,
    filters,
    instrument,
    limit,
    loss,
    make_up,
    membrane,
    minerals,
    not_judged,
    overdue,
    rate,
    silent,
    softener,
    stuck,
    sump_condition,
    tank,
    top_off_mix,
    what_went_where,
)
from monitor.store.settings import BatchSettings, RetentionSettings

# kind: a module with `Settings`, `build(settings, plant)` and `wording(evidence)`
RULES: Mapping[str, ModuleType] = {
    "breakthrough": breakthrough,
    "creep": creep,
    "difference": difference,
    "filter": filters,
    "instrument": instrument,
    "limit": limit,
    "loss": loss,
    "make-up": make_up,
    "membrane": membrane,
    "minerals": minerals,
    "not-judged": not_judged,
    "overdue": overdue,
    "rate": rate,
    "silent": silent,
    "softener": softener,
    "stuck": stuck,
    "sump-condition": sump_condition,
    "tank": tank,
    "top-off-mix": top_off_mix,
    "what-went-where": what_went_where,
}

# the settings of an instrument's `wire`
WIRES: tuple[type[BaseModel], ...] = (
    mqtt_settings.Wire,
    serial_settings.Wire,
    modbus_settings.Wire,
    modbus_tcp_settings.Wire,
    logger_settings.Wire,
    hand_settings.Wire,
)

# channels that are computed of others: `[[derived]]`
DERIVED: tuple[type[BaseModel], ...] = derived.KINDS

# the settings of a person's `way`
WAYS: tuple[type[BaseModel], ...] = (smtp.Way, webhook.Way)

# what wires and ways share: `[[name]]`
SHARED: Mapping[str, type[BaseModel]] = {
    "broker": mqtt_settings.Broker,
    "serial_port": serial_settings.Port,
    "modbus_server": modbus_tcp_settings.Server,
    "logger": logger_settings.Logger,
    "mail_server": mail_server.MailServer,
    "mirror": mirror_settings.Mirror,
}

# tables that stand once: `[name]`
SINGLE: Mapping[str, type[BaseModel]] = {
    "delivery": settings.DeliverySettings,
    "retention": RetentionSettings,
    "batch": BatchSettings,
    "heartbeat": Heartbeat,
    "status_topic": StatusTopic,
    "page": PageSettings,
    "all_well": AllWell,
}


def one_of(models: Iterable[type[BaseModel]]) -> Any:
    """The union of settings models, told apart by their literal `kind`."""
    members = tuple(models)
    union: Any = reduce(or_, members)
    return Annotated[union, Field(discriminator="kind")] if len(members) > 1 else union


def site_model(
    rules: Mapping[str, ModuleType],
    wires: Iterable[type[BaseModel]],
    computed: Iterable[type[BaseModel]],
    ways: Iterable[type[BaseModel]],
    shared: Mapping[str, type[BaseModel]],
    single: Mapping[str, type[BaseModel]],
) -> type[Plant]:
    """The model of a whole site file with these kinds in it."""
    with_wire = create_model(
        "Instrument", __base__=Instrument, wire=(typed(Instrument, "wire", one_of(wires)), ...)
    )
    with_way = create_model("Person", __base__=Person, way=(typed(Person, "way", some(one_of(ways))), ...))
    fields: dict[str, Any] = {
        "instrument": (typed(Plant, "instrument", some(with_wire)), ...),
        "derived": (typed(Plant, "derived", _any_number(one_of(computed))), ()),
        "person": (typed(Plant, "person", some(with_way)), ...),
        "rule": (_any_number(one_of(module.Settings for module in rules.values())), ()),
    }
    fields |= {name: (_any_number(model), ()) for name, model in shared.items()}
    fields |= {name: (model, model()) for name, model in single.items()}
    return create_model("SiteTables", __base__=Plant, **fields)


def typed(model: type[BaseModel], key: str, annotation: Any) -> Any:
    """The narrower type for a key, with what the model says of it."""
    return Annotated[annotation, Field(description=model.model_fields[key].description)]


def _any_number(model: Any) -> Any:
    return GenericAlias(tuple, (model, ...))


def some(model: Any) -> Any:
    """One or more of a model."""
    return Annotated[_any_number(model), Field(min_length=1)]


@cache
def site_tables() -> type[Plant]:
    """The model of a site file as this Goodwater reads it."""
    return site_model(RULES, WIRES, DERIVED, WAYS, SHARED, SINGLE)
