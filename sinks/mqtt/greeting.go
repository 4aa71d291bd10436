package mqtt

import (
	"bytes"

	packets5 "github.com/eclipse/paho.golang/packets"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

// greeting is what a client says of itself in CONNECT. The session is always a clean one that ends with the connection.
type greeting struct {
	client, user string
	password     []byte // nil: none
	keepAlive    uint16 // in seconds
	will         *message
}

// encode writes the CONNECT of MQTT 3.1.1 (clause 3.1) or 5.
func (g greeting) encode(five bool) ([]byte, error) {
	var b bytes.Buffer
	var err error
	if five {
		_, err = g.connect5().WriteTo(&b)
	} else {
		err = g.connect().Write(&b)
	}
	return b.Bytes(), err
}

func (g greeting) connect() *packets.ConnectPacket {
	p := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	p.ProtocolName, p.ProtocolVersion, p.CleanSession = "MQTT", 4, true
	p.ClientIdentifier, p.Keepalive = g.client, g.keepAlive
	p.UsernameFlag, p.Username = g.user != "", g.user
	p.PasswordFlag, p.Password = g.password != nil, g.password
	if w := g.will; w != nil {
		p.WillFlag, p.WillQos, p.WillRetain, p.WillTopic, p.WillMessage = true, 1, true, w.topic, w.payload
	}
	return p
}

func (g greeting) connect5() *packets5.Connect {
	p := &packets5.Connect{ProtocolName: "MQTT", ProtocolVersion: 5, CleanStart: true, ClientID: g.client, KeepAlive: g.keepAlive,
		UsernameFlag: g.user != "", Username: g.user, PasswordFlag: g.password != nil, Password: g.password}
	most := uint32(2 * maxPacket)
	p.Properties = &packets5.Properties{MaximumPacketSize: &most} // no session expiry, and no topic aliases towards us
	if w := g.will; w != nil {
		p.WillFlag, p.WillQOS, p.WillRetain, p.WillTopic, p.WillMessage = true, 1, true, w.topic, w.payload
		p.WillProperties = &packets5.Properties{}
	}
	return p
}
