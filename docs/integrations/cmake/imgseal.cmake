# SPDX-License-Identifier: MIT
# Copyright (c) 2026 the imgseal authors
# Sealing and packing as part of a build with CMake 3.20 or newer, by Make or Ninja.
#
#   include(imgseal.cmake)
#   imgseal_seal(app-a COMPONENT app)
#   imgseal_package(package FIRMWARE app=app-a app=app-b)
#
# Both look for imgseal.toml beside the CMakeLists.txt that calls them; PRODUCT names another. Both make development
# images unless RELEASE is given. When imgseal refuses, the build fails.

find_program(IMGSEAL_PROGRAM imgseal REQUIRED)

# imgseal_seal(target COMPONENT name [OUT file] [PRODUCT file] [RELEASE] [FLAGS flag...])
#
# After each link of `target`, seals it; default <target>.sealed.bin beside it. Product file and the key files that it
# names are dependencies of the link, so that a change seals again.
function(imgseal_seal target)
  cmake_parse_arguments(PARSE_ARGV 1 given "RELEASE" "COMPONENT;OUT;PRODUCT" "FLAGS")
  _imgseal_refuse_other("imgseal_seal" "${given_UNPARSED_ARGUMENTS}")
  if(NOT given_COMPONENT)
    message(FATAL_ERROR "imgseal_seal(${target}): COMPONENT is missing")
  endif()
  _imgseal_product(product "${given_PRODUCT}")
  if(NOT given_OUT)
    set(given_OUT "${CMAKE_CURRENT_BINARY_DIR}/${target}.sealed.bin")
  endif()
  if(given_RELEASE)
    list(APPEND given_FLAGS --release)
  endif()

  _imgseal_key_files(keys "${product}")
  set_property(TARGET ${target} APPEND PROPERTY LINK_DEPENDS "${product}" ${keys})

  add_custom_command(
    TARGET ${target} POST_BUILD
    COMMAND "${IMGSEAL_PROGRAM}" seal "$<TARGET_FILE:${target}>" --component "${given_COMPONENT}"
            --product "${product}" --out "${given_OUT}" ${given_FLAGS}
    BYPRODUCTS "${given_OUT}"
    COMMENT "Sealing ${target}"
    VERBATIM)
endfunction()

# imgseal_package(name FIRMWARE component=target-or-file... [OUT folder] [PRODUCT file] [RELEASE] [FLAGS flag...])
#
# A target `name`, part of `all`, that seals and packs everything into OUT, default `out` below the build folder.
# OUT/release.json names the package. Dependencies are the firmware and, with Ninja, what imgseal's dep file says; with
# Make the product file and the key files that it names.
function(imgseal_package name)
  cmake_parse_arguments(PARSE_ARGV 1 given "RELEASE" "OUT;PRODUCT" "FIRMWARE;FLAGS")
  _imgseal_refuse_other("imgseal_package" "${given_UNPARSED_ARGUMENTS}")
  if(NOT given_FIRMWARE)
    message(FATAL_ERROR "imgseal_package(${name}): FIRMWARE is missing")
  endif()
  _imgseal_product(product "${given_PRODUCT}")
  if(NOT given_OUT)
    set(given_OUT out)
  endif()
  get_filename_component(folder "${given_OUT}" ABSOLUTE BASE_DIR "${CMAKE_CURRENT_BINARY_DIR}")
  if(given_RELEASE)
    list(APPEND given_FLAGS --release)
  endif()

  set(firmware "")
  set(depends "")
  foreach(pair IN LISTS given_FIRMWARE)
    if(NOT pair MATCHES "^([^=]+)=([^@]+)(@.+)?$")
      message(FATAL_ERROR "imgseal_package(${name}): ${pair} is not component=target or component=file[@address]")
    endif()
    set(component "${CMAKE_MATCH_1}")
    set(source "${CMAKE_MATCH_2}")
    set(address "${CMAKE_MATCH_3}")
    if(TARGET "${source}")
      list(APPEND firmware "${component}=$<TARGET_FILE:${source}>")
      # the file as well: a custom command is not run again for a target alone in every generator
      list(APPEND depends "${source}" "$<TARGET_FILE:${source}>")
    else()
      get_filename_component(source "${source}" ABSOLUTE)
      list(APPEND firmware "${component}=${source}${address}")
      list(APPEND depends "${source}")
    endif()
  endforeach()

  if(CMAKE_GENERATOR MATCHES "Ninja")
    set(dependencies DEPFILE "${folder}/release.d")
  else()
    # CMake 3.25 with Make never forgets what once stood in a dep file, and would pack for ever after a key has gone
    _imgseal_key_files(keys "${product}")
    set(dependencies DEPENDS ${keys})
  endif()
  add_custom_command(
    OUTPUT "${folder}/release.json"
    COMMAND "${IMGSEAL_PROGRAM}" build ${firmware} --product "${product}" --out "${folder}"
            --depfile "${folder}/release.d" ${given_FLAGS}
    DEPENDS ${depends} "${product}"
    ${dependencies}
    COMMENT "Sealing and packing ${name}"
    VERBATIM)
  add_custom_target(${name} ALL DEPENDS "${folder}/release.json")
endfunction()

function(_imgseal_product variable given)
  if(NOT given)
    set(given imgseal.toml)
  endif()
  get_filename_component(product "${given}" ABSOLUTE)
  if(NOT EXISTS "${product}")
    message(FATAL_ERROR "there is no product file ${product}: imgseal init writes one")
  endif()
  set(${variable} "${product}" PARENT_SCOPE)
endfunction()

# The key files that a product file names, as far as they exist. They have to be known when the build files are written,
# which CMake does again when the product file changes; keys made after that count from the next configuration on.
function(_imgseal_key_files variable product)
  set_property(DIRECTORY APPEND PROPERTY CMAKE_CONFIGURE_DEPENDS "${product}")
  file(STRINGS "${product}" lines REGEX "^[^#]*\"[^\"]+\\.pem\"")
  string(REGEX MATCHALL "\"[^\"]+\\.pem\"" names "${lines}")
  list(REMOVE_DUPLICATES names)
  get_filename_component(folder "${product}" DIRECTORY)
  set(keys "")
  foreach(name IN LISTS names)
    string(REPLACE "\"" "" name "${name}")
    get_filename_component(key "${name}" ABSOLUTE BASE_DIR "${folder}")
    if(EXISTS "${key}")
      list(APPEND keys "${key}")
    endif()
  endforeach()
  set(${variable} "${keys}" PARENT_SCOPE)
endfunction()

function(_imgseal_refuse_other function other)
  if(other)
    message(FATAL_ERROR "${function} does not know: ${other}")
  endif()
endfunction()
