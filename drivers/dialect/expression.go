package dialect

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// expression is arithmetic in a dialect file: numbers, names, + - * / and
// parentheses. The names are positions in the values that it is computed from.
type expression struct {
	op          byte // one of "+-*/", 'n' number, 'v' value
	left, right *expression
	number      float64
	value       int
}

func (e *expression) compute(values []float64) float64 {
	switch e.op {
	case 'n':
		return e.number
	case 'v':
		return values[e.value]
	}
	a, b := e.left.compute(values), e.right.compute(values)
	switch e.op {
	case '+':
		return a + b
	case '-':
		return a - b
	case '*':
		return a * b
	}
	return a / b
}

// parseExpression reads an expression over the names.
func parseExpression(text string, names []string) (*expression, error) {
	const longest = 200 // bounds the recursion too
	if len(text) > longest {
		return nil, fmt.Errorf("the expression is longer than %d characters", longest)
	}
	p := &expressionReader{rest: text, names: names}
	e, err := p.sum()
	if err != nil {
		return nil, err
	}
	if p.peek() != 0 {
		return nil, fmt.Errorf("%q is not expected", p.rest)
	}
	return e, nil
}

type expressionReader struct {
	rest  string
	names []string
}

// peek is the next character that is not a blank; 0 at the end.
func (p *expressionReader) peek() byte {
	p.rest = strings.TrimLeft(p.rest, " \t")
	if p.rest == "" {
		return 0
	}
	return p.rest[0]
}

func (p *expressionReader) sum() (*expression, error) { return p.chain("+-", p.product) }

func (p *expressionReader) product() (*expression, error) { return p.chain("*/", p.factor) }

// chain reads operands with operators between, grouped from the left.
func (p *expressionReader) chain(operators string, operand func() (*expression, error)) (*expression, error) {
	e, err := operand()
	for err == nil && p.peek() != 0 && strings.IndexByte(operators, p.peek()) >= 0 {
		op := p.peek()
		p.rest = p.rest[1:]
		var right *expression
		right, err = operand()
		e = &expression{op: op, left: e, right: right}
	}
	return e, err
}

func (p *expressionReader) factor() (*expression, error) {
	c := p.peek()
	switch {
	case c == 0:
		return nil, errors.New("a number or a name is missing at the end")
	case c == '-':
		p.rest = p.rest[1:]
		e, err := p.factor()
		return &expression{op: '-', left: &expression{op: 'n'}, right: e}, err
	case c == '(':
		p.rest = p.rest[1:]
		e, err := p.sum()
		if err == nil && p.peek() != ')' {
			err = errors.New("a closing parenthesis is missing")
		}
		if err != nil {
			return nil, err
		}
		p.rest = p.rest[1:]
		return e, nil
	case isDigit(c) || c == '.':
		return p.number()
	case isLetter(c):
		n := 0
		for n < len(p.rest) && (isLetter(p.rest[n]) || isDigit(p.rest[n])) {
			n++
		}
		name := p.rest[:n]
		i := slices.Index(p.names, name)
		if i < 0 {
			return nil, fmt.Errorf("%q is not known here; known: %s", name, strings.Join(p.names, ", "))
		}
		p.rest = p.rest[n:]
		return &expression{op: 'v', value: i}, nil
	}
	return nil, fmt.Errorf("%q is not expected", p.rest)
}

func (p *expressionReader) number() (*expression, error) {
	n := 0
	for n < len(p.rest) {
		c := p.rest[n]
		exponent := n > 0 && (p.rest[n-1] == 'e' || p.rest[n-1] == 'E')
		if !isDigit(c) && c != '.' && c != 'e' && c != 'E' && (!exponent || c != '-' && c != '+') {
			break
		}
		n++
	}
	v, err := strconv.ParseFloat(p.rest[:n], 64)
	if err != nil {
		return nil, fmt.Errorf("%q is not a number", p.rest[:n])
	}
	p.rest = p.rest[n:]
	return &expression{op: 'n', number: v}, nil
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

func isLetter(c byte) bool { return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c == '_' }

// isName tells whether s can be used in an expression.
func isName(s string) bool {
	if s == "" || !isLetter(s[0]) {
		return false
	}
	for i := range len(s) {
		if !isLetter(s[i]) && !isDigit(s[i]) {
			return false
		}
	}
	return true
}
