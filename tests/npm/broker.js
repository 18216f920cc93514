// An MQTT broker on loopback for the system tests: node broker.js PORT
'use strict'
const aedes = require('aedes')()
const server = require('net').createServer((socket) => {
  socket.setNoDelay(true)
  aedes.handle(socket)
})
server.listen(Number(process.argv[2]), '127.0.0.1', () => console.log('broker running'))
