package setup

import (
	"reflect"

	"github.com/go-viper/mapstructure/v2"
	"github.com/spf13/pflag"
	"github.com/spf13/viper"

	"halfturn/analysis/conformity"
	"halfturn/sweep"
)

// reader reads one configuration.
type reader struct {
	problems
	name    string                 // of the file, in messages
	folder  string                 // that the file's paths are relative to
	flags   map[string]*pflag.Flag // given, by key
	environ map[string]string      // ours, by name
	doc     *document
	viper   *viper.Viper
}

func (r *reader) read(text []byte) (*Config, error) {
	r.strangers()
	r.doc = readDocument(r.name, text, reflect.TypeFor[shape](), "", &r.problems)
	if r.doc.values == nil {
		return nil, r.err()
	}
	r.findLimits()
	r.merge()
	var s shape
	r.decode(&s)
	config := &Config{Bench: s.Bench.bench(), Limits: s.Limits, Store: s.Store, Thin: s.Thin, Serve: s.Serve}
	config.Plan = s.Plan.Plan
	stretches := r.stretches(&s.Plan)
	config.Plan.Segments = segmentsOf(stretches)
	r.findDialects(&config.Bench)
	r.checkRequired()
	r.checkStretches(stretches)
	r.checkChannels(s.Bench.Scope.Channels)
	config.check(r)
	if err := r.err(); err != nil {
		return nil, err
	}
	return config, nil
}

// findDialects makes the paths of dialects that the file names relative to it.
func (r *reader) findDialects(bench *sweep.Bench) {
	if r.origin("bench.generator.dialect") == inFile {
		bench.Generator.Dialect = beside(r.folder, bench.Generator.Dialect)
	}
	if r.origin("bench.scope.dialect") == inFile {
		bench.Scope.Dialect = beside(r.folder, bench.Scope.Dialect)
	}
}

// findLimits puts the limits that a flag, the environment or the file names in
// the place of those that the file holds.
func (r *reader) findLimits() {
	file, _ := r.doc.values["limits"].(string)
	file = beside(r.folder, file)
	if v, ok := r.environ[variable("limits")]; ok {
		file = v
	}
	if f := r.flags["limits"]; f != nil {
		file = f.Value.String()
	}
	if file == "" {
		return
	}
	delete(r.doc.values, "limits")
	place := r.place("limits")
	name, text, err := open(file, "limits", "limits")
	if err != nil {
		r.addAt(place, "limits", "%v", err)
		return
	}
	for key := range r.doc.places {
		if parent(key) == "limits" {
			delete(r.doc.places, key)
		}
	}
	limits := readDocument(name, text, reflect.TypeFor[conformity.Limits](), "limits", &r.problems)
	if limits.values != nil {
		r.doc.values["limits"] = limits.values
	}
	for key, place := range limits.places {
		r.doc.places[key] = place
	}
}

// merge hands the three sources and the defaults to viper.
func (r *reader) merge() {
	r.viper = viper.New()
	for _, d := range defaults {
		r.viper.SetDefault(d.key, d.value)
	}
	// The error is that of reading a file, and this is none.
	_ = r.viper.MergeConfigMap(r.doc.values)
	for _, key := range overridable() {
		if _, ok := r.variable(key); ok {
			_ = r.viper.BindEnv(key, variable(key)) // fails without a key only
		}
	}
	for _, k := range flagKeys {
		switch flag := r.flags[k.key]; {
		case flag == nil:
		case empty(flag):
			r.wrong(k.key, "is empty: give a value, or leave the flag out")
		case k.key != "limits": // a file, and read already
			_ = r.viper.BindPFlag(k.key, flag) // fails without a flag only
		}
	}
}

// variable is what the environment says of key.
func (r *reader) variable(key string) (string, bool) {
	if key == "limits" {
		return "", false // names a file, and read already
	}
	if parent(key) == "limits" && r.flags["limits"] != nil {
		return "", false // the flag names other limits, whole
	}
	v, ok := r.environ[variable(key)]
	return v, ok
}

// decode reads all texts into their types.
func (r *reader) decode(s *shape) {
	err := r.viper.Unmarshal(s, viper.DecodeHook(mapstructure.DecodeHookFuncValue(fromText)), func(c *mapstructure.DecoderConfig) {
		c.WeaklyTypedInput = false
		c.ErrorUnused = true
	})
	r.undecodable(err)
}

// undecodable walks the tree of errors that mapstructure makes.
func (r *reader) undecodable(err error) {
	switch e := err.(type) {
	case nil:
	case interface{ Unwrap() []error }:
		for _, one := range e.Unwrap() {
			r.undecodable(one)
		}
	case *mapstructure.DecodeError:
		if !r.said(e.Name()) {
			r.wrong(e.Name(), "%v", e.Unwrap())
		}
	case interface{ Unwrap() error }: // what joins the others
		r.undecodable(e.Unwrap())
	default:
		r.add(r.name, "", "%v", err)
	}
}

// wrong is a problem with the value of key, told where the value stands.
func (r *reader) wrong(key, format string, a ...any) {
	r.addAt(r.place(key), key, format, a...)
}

// addAt names the key unless the place does already.
func (r *reader) addAt(place, key, format string, a ...any) {
	if r.origin(key) > inFile {
		r.silence(key)
		key = ""
	}
	r.add(place, key, format, a...)
}

// origin is where a value comes from, in rising precedence.
type origin int

const (
	byDefault origin = iota // or missing
	inFile
	inEnvironment
	inFlag
)

func (r *reader) origin(key string) origin {
	if r.flags[key] != nil {
		return inFlag
	}
	if _, ok := r.variable(key); ok || key == "limits" && r.environ[variable(key)] != "" {
		return inEnvironment
	}
	if r.doc.places[key] != "" {
		return inFile
	}
	return byDefault
}

// place is where the value of key stands, or that of what it belongs into.
func (r *reader) place(key string) string {
	switch r.origin(key) {
	case inFlag:
		return "flag --" + r.flags[key].Name
	case inEnvironment:
		return "environment " + variable(key)
	}
	for k := key; k != ""; k = parent(k) {
		if place := r.doc.places[k]; place != "" {
			return place
		}
	}
	return r.name
}
