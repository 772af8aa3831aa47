// Package configs carries the shipped dialects, simulated scenarios, benches
// and limits inside the binary, so that one file is the whole program.
package configs

import "embed"

// FS holds dialects/, simbench/, benches/ and limits/ as they lie beside this file.
//
//go:embed dialects simbench benches limits
var FS embed.FS
