package web_test

import (
	"crypto/tls"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"gillkeeper/bridge/broker"
	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/bridge/config"
	"gillkeeper/bridge/firststart"
	"gillkeeper/bridge/web"
)

// serveStart serves a first start that is to write the configuration there.
func serveStart(t *testing.T, path string) (start *firststart.Start, address string) {
	t.Helper()
	start = firststart.New(path)
	t.Cleanup(start.Close)
	s, err := web.New(web.Options{Listen: "127.0.0.1:0", First: start})
	if err != nil {
		t.Fatal(err)
	}
	brokertest.Go(t, s.Run)
	return start, "http://" + s.Addr().String()
}

// TestFirstStart goes from nothing to a configuration that passes the check, without script.
func TestFirstStart(t *testing.T) {
	b, err := broker.Start(broker.Options{Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Stop)
	speak(t, b.URL())
	path := filepath.Join(t.TempDir(), "new.toml")
	start, address := serveStart(t, path)

	x := browse(t, address).open("/").holds("First start", "Where do your sensors and plugs report?")
	x.submit("start/listen", map[string]string{"url": "http://nowhere"}).holds(`role="alert" id="b-problem"`, "scheme", `<input id="b-url" autofocus aria-describedby="b-problem" name="url"`)
	x.submit("start/listen", map[string]string{"url": ""}).holds("The address is empty; mqtt://, mqtts://, ws:// or wss:// with host and port.")
	x.submit("start/listen", map[string]string{"url": "broker.lan:1883", "username": "grower", "password_file": "a-word"}).holds("did you mean mqtt://broker.lan:1883")
	x.holds(`value="broker.lan:1883"`, `value="grower"`, `value="a-word"`) // nothing has to be typed again
	x.submit("start/listen", map[string]string{"url": "mqtt://127.0.0.1:1", "username": "", "password_file": ""}).holds("start the broker or check the address (")
	x.submit("start/listen", map[string]string{"url": strings.Replace(b.URL(), "mqtt://", "mqtts://", 1)}).holds("closed the connection before it had begun; check the scheme and the port of the address")
	x.submit("start/listen", map[string]string{"url": "embedded"}).holds("no sensor speaks")
	x.submit("start/listen", map[string]string{"url": strings.Replace(b.URL(), "tcp://", "mqtt://", 1)})
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(100 * time.Millisecond) {
		x.open("/start")
		if strings.Contains(x.body, "shed/loft/mister") && strings.Contains(x.body, "shed/loft/air") {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("nothing was found:\n%s", x.body)
		}
	}
	x.submit("start/say", map[string]string{"role": ""}).holds("you said so")
	if x.open("/start/file"); strings.Contains(textOf(x.body), "\n  [[chamber.plug]]") {
		t.Error("a plug that is to be left alone is in the configuration")
	}
	x.open("/start").submit("start/say", map[string]string{"role": "humidifier"}).holds("you said so")
	x.open("/start/file").holds("It passes the check.", "shed/loft/air", "MEASURE")
	_, fields := x.form("start/file")
	text := textOf(x.body)
	if _, err := os.Stat(path); err == nil {
		t.Fatal("it was written before it was agreed to")
	}
	x.submit("start/file", map[string]string{"text": text + "\n[nonsense]\n", "write": "yes"}).holds("nonsense")
	if _, err := os.Stat(path); err == nil {
		t.Fatal("a configuration with a fault was written")
	}
	// Where a house has 150 plugs and thermometers, what is too unsure to stand makes 150 KB of comments.
	text += strings.Repeat("# home/room/outlet: 50 % sure\n", 5000)
	x.submit("start/file", map[string]string{"text": text, "write": "yes", "form": fields.Get("form")}).holds("is written, and gillkeeper starts with it")
	select {
	case <-start.Done():
	default:
		t.Error("the first start does not end")
	}
	if _, _, err := config.Load(path); err != nil {
		t.Errorf("what was written: %v", err)
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the file: %v %v", info, err)
	}
}

// TestFirstStartWithACertificate: a broker that asks for a certificate says so, and gets the one whose files are named; the configuration
// names them too.
func TestFirstStartWithACertificate(t *testing.T) {
	authority, dir := brokertest.NewAuthority(t), t.TempDir()
	strict := authority.Server("localhost")
	strict.ClientAuth, strict.ClientCAs = tls.RequireAndVerifyClientCert, authority.Client().RootCAs
	b, err := broker.Start(broker.Options{Listen: "127.0.0.1:0", TLS: strict})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Stop)
	if err := os.WriteFile(filepath.Join(dir, "ca.pem"), authority.PEM(), 0o600); err != nil {
		t.Fatal(err)
	}
	cert, key := authority.Files(t, dir, "gillkeeper")
	path := filepath.Join(dir, "new.toml")
	_, address := serveStart(t, path)
	_, port, _ := strings.Cut(strings.TrimPrefix(b.URL(), "mqtts://"), ":")
	fields := map[string]string{"url": "mqtts://localhost:" + port, "ca_file": filepath.Join(dir, "ca.pem")}
	x := browse(t, address).open("/start")
	x.submit("start/listen", fields).holds("refuses the connection without; name the files with one and with its key below")
	x.submit("start/listen", map[string]string{"url": fields["url"], "ca_file": "none.pem"}).holds("The file with the authority is not there; looked for " + filepath.Join(dir, "none.pem"))
	x.submit("start/listen", map[string]string{"url": fields["url"], "ca_file": key}).holds("The file with the authority is one without a PEM certificate")
	fields["cert_file"] = cert
	x.submit("start/listen", fields).holds("The file with the certificate has no file with its key beside it; a certificate is of use only with its key.")
	fields["key_file"] = cert
	x.submit("start/listen", fields).holds("The file with the certificate does not go with the file with its key: ")
	fields["key_file"] = key
	x.submit("start/listen", fields).holds("Heard so far")
	text := textOf(x.open("/start/file").body)
	for _, want := range []string{fmt.Sprintf("cert_file = %q", cert), fmt.Sprintf("key_file = %q", key)} {
		if !strings.Contains(text, want) {
			t.Errorf("the configuration does not hold %s:\n%s", want, text)
		}
	}
}

// textOf gives what a page's text area holds.
func textOf(body string) string {
	_, rest, _ := strings.Cut(body, `wrap="off">`)
	text, _, _ := strings.Cut(rest, "</textarea>")
	return strings.NewReplacer("&#34;", `"`, "&#39;", "'", "&lt;", "<", "&gt;", ">", "&#43;", "+", "&amp;", "&").Replace(text)
}

// speak plays a sensor and a plug.
func speak(t *testing.T, url string) {
	t.Helper()
	c := paho.NewClient(paho.NewClientOptions().AddBroker(strings.Replace(url, "mqtt://", "tcp://", 1)).SetClientID("devices"))
	if tok := c.Connect(); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		tick := time.NewTicker(50 * time.Millisecond)
		defer tick.Stop()
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			case <-tick.C:
			}
			c.Publish("shed/loft/air", 0, false, fmt.Sprintf(`{"humidity":%d.%d,"temperature":17.%d,"co2":%d}`, 85+i%5, i%10, i%10, 700+i%40))
			c.Publish("shed/loft/mister", 0, true, []string{"ON", "OFF"}[i/10%2])
			c.Publish("shed/loft/mister/set", 0, false, []string{"ON", "OFF"}[i/10%2])
		}
	}()
	t.Cleanup(func() {
		close(stop)
		<-stopped
		c.Disconnect(50)
	})
}

// TestFirstStartIsForThisMachine: nobody else may choose the broker or write the file.
func TestFirstStartIsForThisMachine(t *testing.T) {
	if _, err := web.New(web.Options{Listen: "0.0.0.0:0", First: firststart.New("x.toml")}); err == nil || !strings.Contains(err.Error(), "this machine only") {
		t.Errorf("%v", err)
	}
	_, address := serveStart(t, filepath.Join(t.TempDir(), "x.toml"))
	x := browse(t, address).open("/")
	x.origin = "https://evil.example"
	if x.submit("start/listen", map[string]string{"url": "mqtt://broker.lan"}); x.status != 403 {
		t.Errorf("a page from elsewhere: %d", x.status)
	}
}

// TestScriptOnAFirstStart: whoever may publish on the broker names topics and payloads, and whoever sits at the machine types
// what he likes; all of it comes back as text.
func TestScriptOnAFirstStart(t *testing.T) {
	const evil = `"><script>alert(1)</script><svg onload=alert(1)>'`
	b, err := broker.Start(broker.Options{Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Stop)
	_, address := serveStart(t, filepath.Join(t.TempDir(), "new.toml"))
	x := browse(t, address).open("/")
	check := func() {
		t.Helper()
		for _, bad := range []string{"<script>alert", "<svg onload"} {
			if strings.Contains(x.body, bad) {
				t.Errorf("%s: %q is taken as markup", x.at, bad)
			}
		}
	}
	for _, field := range []string{"url", "username", "password_file", "ca_file", "cert_file", "key_file"} {
		fill := map[string]string{"url": "mqtt://127.0.0.1:1", field: evil}
		x.open("/start").submit("start/listen", fill)
		check()
	}
	x.open("/start").submit("start/listen", map[string]string{"url": strings.Replace(b.URL(), "tcp://", "mqtt://", 1)})
	c := paho.NewClient(paho.NewClientOptions().AddBroker(strings.Replace(b.URL(), "mqtt://", "tcp://", 1)).SetClientID("evil"))
	if tok := c.Connect(); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	defer c.Disconnect(50)
	topic := `shed/"><script>alert(1)</script><svg onload=alert(1)>'/humidity`
	for end := time.Now().Add(20 * time.Second); !strings.Contains(x.body, "alert(1)"); x.open("/start") {
		for i := range 20 {
			c.Publish(topic, 0, false, fmt.Sprintf(`{"humidity":%d.%d,"<script>alert(1)</script>":21}`, 85+i%5, i%10))
			c.Publish(topic+"/mister", 0, true, []string{"ON", "OFF"}[i%2])
			c.Publish(topic+"/mister/set", 0, false, []string{"ON", "OFF"}[i%2])
		}
		time.Sleep(50 * time.Millisecond)
		if time.Now().After(end) {
			t.Fatal("the topic is never shown")
		}
	}
	check()
	x.open("/start/file")
	check()
	x.submit("start/file", map[string]string{"text": "[site]\nname = 7 # </textarea>" + evil})
	check()
	if x.open("/start").submit("start/say", map[string]string{"plug": evil, "role": evil}); x.status != 400 {
		t.Errorf("a role that is none: %d", x.status)
	}
	check()
}
