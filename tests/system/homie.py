"""A validator of what a device of the Homie convention 5.0 retains, written from the convention's text (homieiot, 5.0: "Payload", "Device
attributes", "Property attributes", "Alerts"). It stands by itself and knows nothing of Granary."""
import json
import re

DATATYPES = {"integer", "float", "boolean", "string", "enum", "color", "datetime", "duration", "json"}
STATES = {"init", "ready", "disconnected", "sleeping", "lost"}
IDENTIFIER = r"[a-z0-9-]+"
NUMBER = r"-?\d+(\.\d+)?([eE][+-]?\d+)?"


def properties_of(description):
    return {f"{node}/{name}": members for node, rest in description["nodes"].items()
            for name, members in rest["properties"].items()}


def fits(members, text):
    """Whether a value is what datatype and format promise."""
    kind, form = members["datatype"], members.get("format", "")
    if kind in ("integer", "float"):
        if not re.fullmatch(r"-?\d+" if kind == "integer" else NUMBER, text):
            return False
        least, greatest = (form.split(":") + ["", ""])[:2]
        return (not least or float(text) >= float(least)) and (not greatest or float(text) <= float(greatest))
    if kind == "enum":
        return text in form.split(",")
    if kind == "datetime":
        return bool(re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)", text))
    if kind == "duration":
        return bool(re.fullmatch(r"PT(?=.)(\d+H)?(\d+M)?(\d+S)?", text))
    if kind == "color":
        return bool(re.fullmatch(r"(rgb|hsv),\d+,\d+,\d+|xyz,[\d.]+,[\d.]+", text))
    if kind == "json":
        try:
            return isinstance(json.loads(text), (dict, list))
        except ValueError:
            return False
    if kind == "boolean":
        return text in ("true", "false")
    return kind == "string"


def wrong_property(members):
    """What is wrong with a property's description; None where nothing is."""
    kind, form = members.get("datatype"), members.get("format")
    if kind not in DATATYPES:
        return f"datatype {kind}"
    if kind == "enum" and (not form or len(set(form.split(","))) != len(form.split(","))):
        return f"an enum of {form}"
    if kind in ("integer", "float") and form is not None and not re.fullmatch(f"({NUMBER})?:({NUMBER})?(:{NUMBER})?", form):
        return f"format {form}"
    if any(not isinstance(members.get(name, False), bool) for name in ("settable", "retained")):
        return "settable or retained is no boolean"
    return None


def wrong_description(text):
    try:
        description = json.loads(text)
    except ValueError:
        return "no JSON"
    if not re.fullmatch(r"5\.\d+", str(description.get("homie"))) or not isinstance(description.get("version"), int):
        return "homie or version"
    for node, rest in description.get("nodes", {}).items():
        for name, members in rest.get("properties", {}).items():
            if not re.fullmatch(IDENTIFIER, node) or not re.fullmatch(IDENTIFIER, name):
                return f"the id {node}/{name}"
            if wrong_property(members):
                return f"{node}/{name}: {wrong_property(members)}"
    return None


class Device:
    """One device, message by message, in the order in which they came."""

    def __init__(self, knows_retained=True):
        self.knows_retained, self.state, self.properties, self.alerts, self.complaints = knows_retained, None, {}, {}, []

    def take(self, path, payload, retained):
        what = self.judge(path, payload)
        if what is None and self.knows_retained and not retained:
            what = "not retained"
        if what:
            self.complaints.append(f"{path}: {what}: {payload[:80]!r}")

    def judge(self, path, payload):
        try:
            text = payload.decode("utf-8")
        except UnicodeDecodeError:
            return "no UTF-8"
        if path == "$state":
            self.state = text
            return None if text in STATES else "no state"
        if path == "$description":
            wrong = wrong_description(text) or (f"changed while {self.state}" if self.state in ("ready", "sleeping") else None)
            if not wrong:
                self.properties.update(properties_of(json.loads(text)))
            return wrong
        if re.fullmatch(rf"\$alert/{IDENTIFIER}", path):
            self.alerts[path[len("$alert/"):]] = text
            return None  # any text; an empty one says that it is over
        if path not in self.properties:
            return "not described"
        return self.judge_value(self.properties[path], text)

    @staticmethod
    def judge_value(members, text):
        if text == "":
            return "an empty payload"
        if text == "\0":
            return None if members["datatype"] == "string" else "a zero byte"
        return None if fits(members, text) else f"no {members['datatype']} of {members.get('format')}"


def complaints(messages, knows_retained=True):
    """Of all devices whose messages these are: (topic, payload, retained)."""
    devices = {}
    for topic, payload, retained in messages:
        found = re.fullmatch(rf"({IDENTIFIER}/5/{IDENTIFIER})/(.+)", topic)
        if found and not found[2].endswith("/set") and not found[2].startswith("$log/"):
            devices.setdefault(found[1], Device(knows_retained)).take(found[2], payload, retained)
    return [f"{root}/{text}" for root, device in devices.items() for text in device.complaints]
