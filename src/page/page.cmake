# The page's files as C arrays: page_files.inc in the build tree. The scripts
# become one, in this order, inside one function, so that a phone with a weak
# signal asks for three files and no script leaks a global name.
set(page_scripts dom.js link.js plot.js check.js
  heat.js room.js staff.js records.js main.js)

# page_array(name hex): static const unsigned char name[]
function(page_array name hex)
  string(REGEX REPLACE "(................................)" "\\1\n" hex
    "${hex}")
  string(REGEX REPLACE "([0-9a-f][0-9a-f])" "0x\\1," hex "${hex}")
  set(page_arrays "${page_arrays}static const unsigned char ${name}[] = {
${hex}
};
" PARENT_SCOPE)
endfunction()

# page_gzip(text-variable hex-variable): packed as RFC 1952 says, with the time
# of packing (bytes 5 to 8) left out: the same text gives the same bytes
function(page_gzip text hex)
  set(plain ${CMAKE_BINARY_DIR}/generated/page_plain)
  file(WRITE ${plain} "${${text}}")
  file(ARCHIVE_CREATE OUTPUT ${plain}.gz PATHS ${plain} FORMAT raw
    COMPRESSION GZip COMPRESSION_LEVEL 9)
  file(READ ${plain}.gz packed HEX)
  string(SUBSTRING ${packed} 0 8 first)
  string(SUBSTRING ${packed} 16 -1 rest)
  set(${hex} "${first}00000000${rest}" PARENT_SCOPE)
endfunction()

# page_bytes(name text-variable): name_bytes[], name_gzip[] and name_etag
macro(page_bytes name text)
  string(SHA256 page_digest "${${text}}")
  string(SUBSTRING ${page_digest} 0 16 page_digest)
  string(HEX "${${text}}" page_hex)
  page_array(${name}_bytes "${page_hex}")
  page_gzip(${text} page_hex)
  page_array(${name}_gzip "${page_hex}")
  string(APPEND page_arrays
    "static const char ${name}_etag[] = \"W/\\\"${page_digest}\\\"\";\n")
endmacro()

# page_read(file variable): its text, without what only people need who edit
# it: comments, indentation, line ends that end nothing, the joints of strings
# that go over several lines, and blanks around braces and operators that never
# stand in a text of ours (texts for people are in the catalogues)
function(page_read file variable)
  set_property(DIRECTORY APPEND PROPERTY CMAKE_CONFIGURE_DEPENDS
    ${CMAKE_SOURCE_DIR}/src/page/${file})
  file(READ ${CMAKE_SOURCE_DIR}/src/page/${file} text)
  string(REGEX REPLACE "/\\*[^*]*\\*+([^/*][^*]*\\*+)*/" "" text "${text}")
  string(REGEX REPLACE "[\n ]*\n *" "\n" text "${text}")
  string(REPLACE "' +\n'" "" text "${text}")
  if(file MATCHES "js$")
    string(REGEX REPLACE "([,{(;:?&|=+>])\n" "\\1" text "${text}")
    string(REPLACE ", " "," text "${text}")
    string(REPLACE ": " ":" text "${text}")
    foreach(op => === !== = && || : + < >)
      string(REPLACE " ${op} " "${op}" text "${text}")
    endforeach()
  elseif(file MATCHES "css$")
    string(REGEX REPLACE "([,{};])\n" "\\1" text "${text}")
    string(REPLACE ": " ":" text "${text}")
    string(REPLACE ", " "," text "${text}")
  endif()
  if(file MATCHES "json$")
    string(REPLACE "\": " "\":" text "${text}")
  else()
    string(REPLACE " {" "{" text "${text}")
    string(REPLACE "{ " "{" text "${text}")
    string(REPLACE " }" "}" text "${text}")
    string(REGEX REPLACE ";\n*}" "}" text "${text}")
    string(REGEX REPLACE "(if|for) [(]" "\\1(" text "${text}")
  endif()
  set(${variable} "${text}" PARENT_SCOPE)
endfunction()

set(page_js "(function () {\n'use strict';\n")
foreach(script ${page_scripts})
  page_read(${script} script_text)
  string(APPEND page_js "${script_text}")
endforeach()
string(APPEND page_js "})();\n")
page_read(index.html page_html)
page_read(style.css page_css)
page_read(icon.svg page_svg)
page_read(en.json page_en)
page_read(de.json page_de)
set(page_arrays "")
foreach(part page_html page_css page_js page_svg page_en page_de)
  page_bytes(${part} ${part})
endforeach()
file(CONFIGURE OUTPUT ${CMAKE_BINARY_DIR}/generated/page_files.inc
  CONTENT "${page_arrays}" @ONLY)
