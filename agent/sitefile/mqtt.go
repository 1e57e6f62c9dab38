package sitefile

import (
	"time"

	"bayledger/agent/relay"
)

// MQTT is the section about live publishing.
type MQTT struct {
	Broker         string        `yaml:"broker" required:"yes" eg:"tcp://127.0.0.1:1883" doc:"Broker: tcp://host:port, with TLS ssl://host:port. Ports 1883 and 8883 may be left out."`
	Prefix         string        `yaml:"prefix" default:"bayledger" eg:"clubs/north" doc:"First part of every topic; it may have several levels."`
	ClientID       string        `yaml:"client_id" eg:"velderbruck-pi" doc:"What the broker knows this daemon by. Made of machine, prefix and site when it is not given."`
	Username       string        `yaml:"username" eg:"velderbruck" doc:"User at the broker."`
	Password       Secret        `yaml:"password" eg:"file:/etc/bayledger/mqtt.password" doc:"Where the user's password is kept."`
	CA             string        `yaml:"ca" eg:"/etc/bayledger/club-ca.pem" doc:"Certificates the broker's must lead to, in place of the system's. For ssl:// only, as cert and key."`
	Cert           string        `yaml:"cert" eg:"/etc/bayledger/mqtt.pem" doc:"This daemon's own certificate."`
	Key            string        `yaml:"key" eg:"/etc/bayledger/mqtt.key" doc:"Key of it."`
	History        bool          `yaml:"history" default:"no" doc:"Publish every sample too, in order, in batches."`
	KeepAlive      time.Duration `yaml:"keep_alive" default:"30 s" min:"1 s" max:"18 h" doc:"Longest silence before the broker is asked whether it is still there."`
	ConnectTimeout time.Duration `yaml:"connect_timeout" default:"10 s" min:"100 ms" max:"10 min" doc:"How long connecting may take."`
	AckTimeout     time.Duration `yaml:"ack_timeout" default:"20 s" min:"100 ms" max:"10 min" doc:"How long the broker may take to acknowledge before the connection is given up."`
	RetryMin       time.Duration `yaml:"retry_min" default:"1 s" min:"10 ms" max:"1 h" doc:"First pause between two tries to connect; it doubles."`
	RetryMax       time.Duration `yaml:"retry_max" default:"1 min" min:"10 ms" max:"1 d" doc:"Longest pause."`
	StatusEvery    time.Duration `yaml:"status_every" default:"1 min" min:"1 s" max:"1 h" doc:"How often the retained status is told anew."`
	Window         int           `yaml:"window" default:"20" min:"1" max:"1000" doc:"Events on their way to the broker at once."`
}

func (l *loader) mqtt() {
	f := l.file.MQTT
	if f == nil {
		return
	}
	o := relay.DefaultOptions()
	o.Broker, o.Prefix, o.ClientID, o.Username, o.Password = f.Broker, f.Prefix, f.ClientID, f.Username, f.Password.reader()
	o.CAFile, o.CertFile, o.KeyFile, o.History = f.CA, f.Cert, f.Key, f.History
	o.KeepAlive, o.ConnectTimeout, o.AckTimeout = f.KeepAlive, f.ConnectTimeout, f.AckTimeout
	o.RetryMin, o.RetryMax, o.StatusEvery, o.Window = f.RetryMin, f.RetryMax, f.StatusEvery, f.Window
	if !l.has("mqtt.broker") {
		l.wrong["mqtt.broker"] = true // said to be missing
	}
	l.fromPart("mqtt", o.Validate(), nil)
	l.cfg.MQTT = &o
}
