// Integers as bytes, for everything that is stored or hashed. The width is always
// written out, as in AppendLittle<uint32_t>(&out, n): it must not follow from the
// type of a variable that somebody changes later.
#pragma once

#include <cstdint>
#include <string>
#include <type_traits>

#include "boost/endian/conversion.hpp"

namespace selvage {

// Of at least sizeof(T) bytes.
template <class T>
T LoadLittle(const void* from) {
  return boost::endian::endian_load<T, sizeof(T), boost::endian::order::little>(
      static_cast<const unsigned char*>(from));
}

template <class T>
T LoadBig(const void* from) {
  return boost::endian::endian_load<T, sizeof(T), boost::endian::order::big>(static_cast<const unsigned char*>(from));
}

template <class T>
void StoreLittle(void* to, std::type_identity_t<T> value) {
  boost::endian::endian_store<T, sizeof(T), boost::endian::order::little>(static_cast<unsigned char*>(to), value);
}

template <class T>
void AppendLittle(std::string* out, std::type_identity_t<T> value) {
  const size_t at = out->size();
  out->resize(at + sizeof(T));
  StoreLittle<T>(out->data() + at, value);
}

template <class T>
void AppendBig(std::string* out, std::type_identity_t<T> value) {
  const size_t at = out->size();
  out->resize(at + sizeof(T));
  boost::endian::endian_store<T, sizeof(T), boost::endian::order::big>(
      reinterpret_cast<unsigned char*>(out->data() + at), value);
}

}  // namespace selvage
