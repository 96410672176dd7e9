//go:build deps

package main

import (
	_ "github.com/creack/pty"
	_ "github.com/eclipse/paho.mqtt.golang"
	_ "github.com/expr-lang/expr"
	_ "github.com/goburrow/modbus"
	_ "github.com/google/go-cmp/cmp"
	_ "github.com/google/go-cmp/cmp/cmpopts"
	_ "github.com/mochi-mqtt/server/v2"
	_ "github.com/mochi-mqtt/server/v2/hooks/auth"
	_ "github.com/mochi-mqtt/server/v2/listeners"
	_ "github.com/prometheus/client_golang/prometheus"
	_ "github.com/prometheus/client_golang/prometheus/collectors"
	_ "github.com/prometheus/client_golang/prometheus/promhttp"
	_ "github.com/prometheus/client_golang/prometheus/testutil"
	_ "github.com/prometheus/common/expfmt"
	_ "github.com/rogpeppe/go-internal/testscript"
	_ "github.com/spf13/cobra"
	_ "go.yaml.in/yaml/v4"
	_ "golang.org/x/sync/errgroup"
	_ "golang.org/x/sys/unix"
)

import _ "golang.org/x/term"

import _ "modernc.org/sqlite"

import _ "github.com/warthog618/sms"
import _ "github.com/warthog618/modem/at"
import _ "github.com/wneessen/go-mail"
import _ "github.com/SherClockHolmes/webpush-go"
