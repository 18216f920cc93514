// An MQTT client for the system tests, independent of those that the rest uses: node client.js PORT
// Prints a JSON line for each message; takes lines "TOPIC PAYLOAD" on standard input and publishes them.
'use strict'
const client = require('mqtt').connect(`mqtt://127.0.0.1:${process.argv[2]}`, { protocolVersion: 4, reconnectPeriod: 0 })
client.on('connect', () => client.subscribe('#', { qos: 1 }, () => console.log('client subscribed')))
client.on('message', (topic, payload, packet) =>
  console.log(JSON.stringify({ topic, payload: payload.toString(), retained: packet.retain })))
require('readline').createInterface({ input: process.stdin }).on('line', (line) => {
  const space = line.indexOf(' ')
  client.publish(line.slice(0, space), line.slice(space + 1), { qos: 1 })
})
