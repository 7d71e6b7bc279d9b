"""What messages and commands of the standard are for, in words that stand before their names.

Names are MAVLink's (`common`); the words are ours. What is not in these tables keeps its name alone.
"""

from __future__ import annotations

_COMMANDS = {
    "COMPONENT_ARM_DISARM": "arm or disarm",
    "CONDITION_YAW": "turn",
    "DO_CHANGE_SPEED": "change the speed",
    "DO_ORBIT": "orbit",
    "DO_REPOSITION": "fly to a place",
    "DO_SET_HOME": "set the home place",
    "DO_SET_MODE": "change the mode",
    "DO_SET_STANDARD_MODE": "change the mode",
    "MISSION_START": "start the mission",
    "NAV_LAND": "land",
    "NAV_LAND_LOCAL": "land",
    "NAV_RETURN_TO_LAUNCH": "come home",
    "NAV_TAKEOFF": "take off",
    "NAV_TAKEOFF_LOCAL": "take off",
    "REQUEST_MESSAGE": "send a message once",
    "SET_MESSAGE_INTERVAL": "send a message regularly",
}
_MESSAGES = {
    "ALTITUDE": "height",
    "ATTITUDE": "attitude",
    "ATTITUDE_QUATERNION": "attitude",
    "ATTITUDE_TARGET": "wanted attitude",
    "BATTERY_STATUS": "battery",
    "COMMAND_ACK": "answer to a command",
    "ESTIMATOR_STATUS": "quality of the estimate",
    "EXTENDED_SYS_STATE": "whether it flies",
    "GLOBAL_POSITION_INT": "position",
    "GPS_RAW_INT": "satellite fix",
    "HEARTBEAT": "heartbeat",
    "HOME_POSITION": "home place",
    "LOCAL_POSITION_NED": "position",
    "MANUAL_CONTROL": "stick positions",
    "MISSION_ITEM_INT": "mission item",
    "ODOMETRY": "position",
    "PARAM_SET": "new value of a parameter",
    "PARAM_VALUE": "value of a parameter",
    "POSITION_TARGET_GLOBAL_INT": "wanted position",
    "POSITION_TARGET_LOCAL_NED": "wanted position",
    "RADIO_STATUS": "state of the radio",
    "RC_CHANNELS": "stick positions",
    "RC_CHANNELS_OVERRIDE": "stick positions",
    "SERVO_OUTPUT_RAW": "motor outputs",
    "SET_ATTITUDE_TARGET": "set-point of attitude",
    "SET_POSITION_TARGET_GLOBAL_INT": "set-point",
    "SET_POSITION_TARGET_LOCAL_NED": "set-point",
    "STATUSTEXT": "text",
    "SYS_STATUS": "state",
    "VFR_HUD": "speed and height",
}


def command_in_words(name: str) -> str:
    """`take off (NAV_TAKEOFF)`; the name alone where there are no words for it."""
    words = _COMMANDS.get(name)
    return name if words is None else f"{words} ({name})"


def message_in_words(title: str) -> str:
    """`attitude (ATTITUDE)`, `the command to take off (COMMAND_LONG NAV_TAKEOFF)`; or the title alone."""
    kind, _, command = title.partition(" ")
    if kind.startswith("COMMAND_") and command in _COMMANDS:
        return f"the command to {_COMMANDS[command]} ({title})"
    words = _MESSAGES.get(title)
    return title if words is None else f"{words} ({title})"
