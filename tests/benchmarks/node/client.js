// A MAVLink client by the package node-mavlink: hears a vehicle, asks it for a message, and says what came of it.
// node client.js udp|tcp PORT SECONDS SYSTEM [KEY, 64 hexadecimal digits]; prints one line of JSON.
const dgram = require('dgram')
const net = require('net')
const { PassThrough } = require('stream')
const {
  MavLinkPacketSplitter, MavLinkPacketParser, MavLinkProtocolV2, minimal, standard, common
} = require('node-mavlink')

const [kind, port, seconds, system, keyHex] = process.argv.slice(2)
const key = keyHex ? Buffer.from(keyHex, 'hex') : null
const registry = { ...minimal.REGISTRY, ...standard.REGISTRY, ...common.REGISTRY }
const protocol = new MavLinkProtocolV2(Number(system), 190, key ? MavLinkProtocolV2.IFLAG_SIGNED : 0)
const heard = { frames: 0, heartbeats: 0, decoded: 0, messages: {}, acks: [], gaps: 0, signed: 0 }
const last = {}
let sequence = 0
let vehicle = null

const bytes = new PassThrough()
const packets = bytes.pipe(new MavLinkPacketSplitter()).pipe(new MavLinkPacketParser())

function open() {
  if (kind === 'udp') {
    const socket = dgram.createSocket('udp4')
    socket.on('message', data => bytes.write(data))
    return frame => socket.send(frame, Number(port), '127.0.0.1')
  }
  const socket = net.connect(Number(port), '127.0.0.1')
  socket.on('data', data => bytes.write(data))
  return frame => socket.write(frame)
}

const sendBytes = open()

function say(message) {
  let frame = protocol.serialize(message, sequence++ & 255)
  if (key) frame = protocol.sign(frame, 7, key)
  sendBytes(frame)
}

function beat() {
  const message = new minimal.Heartbeat()
  message.type = minimal.MavType.GCS
  message.autopilot = minimal.MavAutopilot.INVALID
  message.systemStatus = minimal.MavState.ACTIVE
  message.mavlinkVersion = 3
  say(message)
}

function ask() {
  const message = new common.CommandLong()
  message.targetSystem = vehicle.sysid
  message.targetComponent = vehicle.compid
  message.command = common.MavCmd.REQUEST_MESSAGE
  message._param1 = standard.AutopilotVersion.MSG_ID
  say(message)
}

packets.on('data', packet => {
  heard.frames += 1
  const sender = `${packet.header.sysid}/${packet.header.compid}`
  if (sender in last) heard.gaps += (packet.header.seq - last[sender] - 1) & 255
  last[sender] = packet.header.seq
  const clazz = registry[packet.header.msgid]
  if (!clazz) return
  const data = packet.protocol.data(packet.payload, clazz)
  heard.decoded += 1
  heard.messages[clazz.MSG_NAME] = (heard.messages[clazz.MSG_NAME] || 0) + 1
  if (clazz === minimal.Heartbeat && data.autopilot !== minimal.MavAutopilot.INVALID) {
    heard.heartbeats += 1
    vehicle = packet.header
  }
  if (clazz === common.CommandAck) heard.acks.push([data.command, data.result])
})

beat()
setInterval(beat, 1000)
setTimeout(() => vehicle && ask(), 2500)
setTimeout(() => {
  console.log(JSON.stringify(heard))
  process.exit(0)
}, 1000 * Number(seconds))
